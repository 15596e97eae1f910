// The dialog that tells what each key does, with the switch for single letters.

import { button, dialog, h, checkbox } from "../dom/elements";
import { type Shortcut, singlesOn, turnSingles } from "./shortcuts";

const ELSEWHERE: [string, string][] = [
  ["Arrow keys", "on a slider or a number: half a degree, half a millimetre"],
  ["Page Up, Page Down", "ten times as far"],
  ["Home, End", "on a slider: to the planner's least and greatest"],
  ["Tab", "to the next control; the links at the very top skip to scene and numbers"],
];

export function keyHelp(shortcuts: readonly Shortcut[]): () => void {
  const rows = h("tbody", {});
  const single = shortcuts.filter((one) => one.single);
  const singles = checkbox(`Single keys (${single.map(({ keys }) => keys).join(" ")}) work`, turnSingles);
  const box = dialog(
    "help",
    "Keys",
    h("table", { class: "keys" }, h("caption", { class: "unseen" }, "Keys and what they do"), rows),
    singles.element,
    h(
      "div",
      { class: "dialog-buttons" },
      button("Close", () => box.close(), { class: "primary" }),
    ),
  );
  return () => {
    const lines = [...shortcuts.map(({ keys, does }) => [keys, does] as const), ...ELSEWHERE];
    rows.replaceChildren(
      ...lines.map(([keys, does]) => h("tr", {}, h("th", { scope: "row" }, h("kbd", {}, keys)), h("td", {}, does))),
    );
    singles.show(singlesOn());
    box.showModal();
  };
}
