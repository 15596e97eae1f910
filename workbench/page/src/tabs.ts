// The strip below the scene: one panel at a time. Panels that tell numbers are covered until numbers may be seen.

import type { Desk } from "./desk";
import { button, h, say } from "./elements";
import type { Panel, State } from "./store";

export const PANELS: readonly (readonly [Panel, string])[] = [
  ["slices", "Slices"], ["charts", "Charts"], ["search", "Search"], ["compare", "Compare"], ["lesson", "Lesson"], ["sheet", "Sheet"],
];

/** Panels with numbers of a level, which has to be confirmed first. */
const TELLING: readonly Panel[] = ["charts", "search", "compare", "sheet"];

export const showable = (state: State): boolean => Boolean(state.confirmed[state.plan.level]) && !state.blind;

/** Makes the tabs; gives the element that each panel's part fills. */
export function tabs(root: HTMLElement, desk: Desk): Record<Panel, HTMLElement> {
  const { store } = desk;
  const marks = PANELS.map(([panel, words]) => tab(panel, words, () => store.look({ panel })));
  const list = h("div", { role: "tablist", "aria-label": "Below the scene", class: "tablist", onkeydown: (event) => walk(event as KeyboardEvent, marks) }, ...marks);
  const taller = button("Taller", () => tall(taller), { id: "taller", "aria-pressed": "false" });
  root.append(list, taller);
  const faces = PANELS.map(([panel]) => face(panel));
  const show = () => {
    PANELS.forEach(([panel], index) => {
      const open = panel === store.state.looks.panel;
      marks[index]?.setAttribute("aria-selected", String(open));
      marks[index]?.setAttribute("tabindex", open ? "0" : "-1");
      faces[index]?.show(open, store.state);
    });
  };
  store.subscribe((_, changed) => {
    if (["looks", "confirmed", "blind", "plan"].some((key) => changed.has(key as keyof State))) show();
  });
  show();
  return Object.fromEntries(faces.map(({ panel, part }): [string, HTMLElement] => [panel, part])) as Record<Panel, HTMLElement>;
}

const tab = (panel: Panel, words: string, onclick: () => void): HTMLElement =>
  button(words, onclick, { role: "tab", id: `tab-${panel}`, "aria-controls": `panel-${panel}` });

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

function tall(pressed: HTMLElement): void {
  const on = document.getElementById("main")?.toggleAttribute("data-tall") ?? false;
  pressed.setAttribute("aria-pressed", String(on));
}

function face(panel: Panel) {
  const element = document.getElementById(`panel-${panel}`) as HTMLElement;
  const part = h("div", { class: "part" });
  const words = h("p", {});
  const cover = h("div", { class: "cover" }, words);
  element.setAttribute("role", "tabpanel");
  element.setAttribute("aria-labelledby", `tab-${panel}`);
  element.setAttribute("tabindex", "0");
  element.append(part, cover);
  return {
    panel,
    part,
    show(open: boolean, state: State): void {
      const told = !TELLING.includes(panel) || showable(state);
      element.hidden = !open;
      part.hidden = !told;
      cover.hidden = told;
      say(words, state.confirmed[state.plan.level]
        ? "Blind: plan first. This is shown once you show the numbers."
        : `${state.plan.level} is not confirmed yet. This is shown once it is.`);
    },
  };
}
