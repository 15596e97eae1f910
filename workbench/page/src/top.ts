// The header: level and side with how sure they are, the plan's name, undo and redo, how the page is turned and lit.

import type { Confirming } from "./confirm";
import type { Desk } from "./desk";
import { button, choice, h, say } from "./elements";
import { redo, undo } from "./keys";
import type { Plans } from "./plans";
import type { State } from "./store";

export interface Asides {
  confirm: Confirming;
  plans: Plans;
  help(): void;
}

export function top(root: HTMLElement, desk: Desk, { confirm, plans, help }: Asides): void {
  const { store } = desk;
  const level = h("strong", {});
  const side = h("span", {});
  const state = h("span", { class: "badge-state" });
  const badge = h("button", { id: "level-badge", type: "button", class: "badge", onclick: confirm.ask, "aria-haspopup": "dialog" }, level, side, state);
  const name = button("", () => plans.list(), { id: "plan-name", "aria-haspopup": "dialog" });
  const save = button("Save", () => plans.save(), { id: "save" });
  const back = button("Undo", () => undo(store), { id: "undo", title: "Ctrl+Z" });
  const again = button("Redo", () => redo(store), { id: "redo", title: "Ctrl+Shift+Z" });
  const turned = choice("Views are shown", [["theatre", "As in theatre"], ["reading", "As read"]] as const, (value) =>
    store.look({ turned: value }));
  turned.element.id = "turned";
  const theme = button("", () => store.look({ theme: store.state.looks.theme === "dark" ? "light" : "dark" }), { id: "theme" });
  root.append(
    h("h1", { class: "wordmark" }, "canalwise"), badge,
    h("div", { class: "group" }, name, save), plans.told, h("div", { class: "group" }, back, again),
    h("span", { class: "spring" }), turned.element,
    h("div", { class: "group" }, theme, button("Keys", help, { id: "keys", "aria-haspopup": "dialog" })),
  );
  const show = (now: State) => {
    const { plan, confirmed, looks } = now;
    say(level, plan.level);
    say(side, `${plan.side} side`);
    say(state, confirmed[plan.level] ? "confirmed" : "! not confirmed");
    badge.classList.toggle("unsure", !confirmed[plan.level]);
    say(name, `Plan: ${now.name || "no name yet"}${plans.changed(now) ? ", changed" : ""}`);
    back.disabled = !store.canUndo;
    again.disabled = !store.canRedo;
    turned.show(looks.turned);
    say(theme, looks.theme === "dark" ? "Light" : "Dark");
    document.title = `${plan.level} ${plan.side}: canalwise`;
  };
  store.subscribe(show);
  show(store.state);
}
