// The strip below the scene: a tab and a place for each panel, one open at a time. Panels that tell numbers are covered
// until numbers may be seen.

import { button, h, setText } from "../dom/elements";
import { isConfirmed, numbersShown, type State } from "../model/store";
import type { Context } from "../session/context";
import type { PanelRecord } from "./panel_registry";

/** Makes tabs and panels; gives the element that each panel's part fills, in the same order. */
export function tabs(
  strip: HTMLElement,
  root: HTMLElement,
  context: Context,
  panels: readonly PanelRecord[],
): HTMLElement[] {
  const { store } = context;
  const marks = panels.map(({ id, title }) => tab(id, title, () => store.look({ panel: id })));
  const list = h(
    "div",
    {
      role: "tablist",
      "aria-label": "Below the scene",
      class: "tablist",
      onkeydown: (event) => walk(event as KeyboardEvent, marks),
    },
    ...marks,
  );
  const taller = button("Taller", () => toggleHeight(taller), { id: "taller", "aria-pressed": "false" });
  root.append(list, taller);
  const faces = panels.map(panelFace);
  strip.append(...faces.map(({ element }) => element));
  const show = () => {
    panels.forEach(({ id }, index) => {
      const open = id === store.state.looks.panel;
      marks[index]?.setAttribute("aria-selected", String(open));
      marks[index]?.setAttribute("tabindex", open ? "0" : "-1");
      faces[index]?.show(open, store.state);
    });
  };
  store.subscribe((_, changed) => {
    if (["looks", "confirmed", "blind", "plan"].some((key) => changed.has(key as keyof State))) show();
  });
  show();
  return faces.map(({ part }) => part);
}

const tab = (id: string, title: string, onclick: () => void): HTMLElement =>
  button(title, onclick, { role: "tab", id: `tab-${id}`, "aria-controls": `panel-${id}` });

/** Arrow keys, Home and End go from tab to tab. */
function walk(event: KeyboardEvent, marks: HTMLElement[]): void {
  const at = marks.indexOf(event.target as HTMLElement);
  const to = { ArrowRight: at + 1, ArrowLeft: at - 1, Home: 0, End: marks.length - 1 }[event.key];
  if (to === undefined) return;
  event.preventDefault();
  const next = marks[(to + marks.length) % marks.length];
  next?.focus();
  next?.click();
}

function toggleHeight(pressed: HTMLElement): void {
  const on = document.getElementById("main")?.toggleAttribute("data-tall") ?? false;
  pressed.setAttribute("aria-pressed", String(on));
}

function panelFace({ id, tellsNumbers }: PanelRecord) {
  const part = h("div", { class: "part" });
  const words = h("p", {});
  const cover = h("div", { class: "cover" }, words);
  const element = h(
    "div",
    { id: `panel-${id}`, class: "panel", role: "tabpanel", "aria-labelledby": `tab-${id}`, tabindex: "0" },
    part,
    cover,
  );
  return {
    element,
    part,
    show(open: boolean, state: State): void {
      const uncovered = !tellsNumbers || numbersShown(state);
      element.hidden = !open;
      part.hidden = !uncovered;
      cover.hidden = uncovered;
      setText(
        words,
        isConfirmed(state)
          ? "Blind: plan first. This is shown once you show the numbers."
          : `${state.plan.level} ${state.plan.side} is not confirmed yet. This is shown once it is.`,
      );
    },
  };
}
