// The header: level with how sure it is, the plan's name, undo and redo, how views are turned, theme.

import type { LevelConfirmation } from "./level_confirmation";
import type { Context } from "../session/context";
import { button, radioChoice, h, setText } from "../dom/elements";
import { redo, undo } from "./shortcuts";
import type { SavedPlans } from "./saved_plans";
import { isConfirmed, type State } from "../model/store";
import { fixed } from "../model/number_format";

export interface HeaderActions {
  confirm: LevelConfirmation;
  plans: SavedPlans;
  help(): void;
}

export function header(root: HTMLElement, context: Context, { confirm, plans, help }: HeaderActions): void {
  const { store } = context;
  const level = h("strong", {});
  const side = h("span", {});
  const state = h("span", { class: "badge-state" });
  const badge = h(
    "button",
    { id: "level-badge", type: "button", class: "badge", onclick: confirm.ask, "aria-haspopup": "dialog" },
    level,
    side,
    state,
  );
  const sure = h("span", { id: "confidence" });
  const name = button("", () => plans.list(), { id: "plan-name", "aria-haspopup": "dialog" });
  const save = button("Save", () => plans.save(), { id: "save" });
  const back = button("Undo", () => undo(store), { id: "undo", title: "Ctrl+Z" });
  const again = button("Redo", () => redo(store), { id: "redo", title: "Ctrl+Shift+Z" });
  const turned = radioChoice(
    "Views are shown",
    [
      ["theatre", "As in theatre"],
      ["reading", "As read"],
    ] as const,
    (value) => store.look({ turned: value }),
  );
  turned.element.id = "turned";
  const theme = button("", () => store.look({ theme: store.state.looks.theme === "dark" ? "light" : "dark" }), {
    id: "theme",
  });
  root.append(
    h("h1", { class: "wordmark" }, "canalwise"),
    badge,
    sure,
    ...restsOn(store.state.facts.warnings),
    h("div", { class: "group" }, name, save),
    plans.status,
    h("div", { class: "group" }, back, again),
    h("span", { class: "spring" }),
    turned.element,
    h("div", { class: "group" }, theme, button("Keys", help, { id: "keys", "aria-haspopup": "dialog" })),
  );
  const show = (now: State) => {
    const { plan, looks } = now;
    setText(level, plan.level);
    setText(side, `${plan.side} side`);
    setText(state, isConfirmed(now) ? "confirmed" : "! not confirmed");
    badge.classList.toggle("unsure", !isConfirmed(now));
    showConfidence(sure, now);
    setText(name, `Plan: ${now.name || "no name yet"}${plans.changed(now) ? ", changed" : ""}`);
    back.disabled = !store.canUndo;
    again.disabled = !store.canRedo;
    turned.show(looks.turned);
    setText(theme, looks.theme === "dark" ? "Light" : "Dark");
    document.title = `${plan.level} ${plan.side}: canalwise`;
  };
  store.subscribe(show);
  show(store.state);
}

/** What the whole case rests on, where that is less than a CT: in view with every number and picture. */
function restsOn(warnings: readonly string[]): HTMLElement[] {
  const words = warnings.find((warning) => /from MR alone/i.test(warning));
  return words ? [h("span", { class: "rests-on", title: words }, "! from MR alone: bone second")] : [];
}

/** How sure the level is, always in view: whoever reads a number must know what it rests on. */
function showConfidence(element: HTMLElement, { facts, plan }: State): void {
  const level = facts.levels.find((one) => one.name === plan.level);
  const sure = level?.confidence_frac ?? null;
  const words = sure === null ? "confidence not judged" : `confidence ${fixed(sure, 2)}`;
  setText(element, level?.check_by_eye ? `! check by eye: ${words}` : words);
  element.classList.toggle("check", Boolean(level?.check_by_eye));
  element.title = [level?.because, ...(level?.warnings ?? [])].filter(Boolean).join(" ");
}
