// What each key does, and the switch for single letters.

import { button, dialog, h, tick } from "./elements";
import { type Shortcut, singlesOn, turnSingles } from "./keys";

const HAND: [string, string][] = [
  ["Arrow keys", "on a slider or a number: half a degree, half a millimetre"],
  ["Page Up, Page Down", "ten times as far"],
  ["Home, End", "on a slider: to the planner's least and greatest"],
  ["Tab", "to the next control; the links at the very top skip to scene and numbers"],
];

export function helping(shortcuts: () => Shortcut[]): () => void {
  const rows = h("tbody", {});
  const singles = tick("Single keys ([ ] 1 2 t ?) work", turnSingles);
  const box = dialog(
    "help", "Keys",
    h("table", { class: "keys" }, h("caption", { class: "unseen" }, "Keys and what they do"), rows),
    singles.element,
    h("div", { class: "dialog-buttons" }, button("Close", () => box.close(), { class: "primary" })),
  );
  return () => {
    const told = [...shortcuts().map(({ keys, does }) => [keys, does] as const), ...HAND];
    rows.replaceChildren(...told.map(([keys, does]) => h("tr", {}, h("th", { scope: "row" }, h("kbd", {}, keys)), h("td", {}, does))));
    singles.show(singlesOn());
    box.showModal();
  };
}
