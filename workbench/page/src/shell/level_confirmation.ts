// The dialog that asks which level is meant, for every level before its numbers are shown.

import { startPlan } from "../session/initial_plan";
import type { Context } from "../session/context";
import { button, dialog, fold, h, setText } from "../dom/elements";
import type { LevelFacts } from "../protocol/case_facts";
import { fixed } from "../model/number_format";

export interface LevelConfirmation {
  /** Asks now, with the plan's level marked. */
  ask(): void;
}

const LEAD =
  "The names of the vertebrae are proposed by counting, and counting can be wrong. Hold them against the original images.";

export function levelConfirmation(context: Context): LevelConfirmation {
  const { store } = context;
  const list = h("div", { class: "levels", role: "radiogroup", "aria-label": "Level" });
  const yes = button("", () => settle(), { class: "primary" });
  const box = dialog(
    "confirm",
    "Which level is meant?",
    h("p", {}, LEAD),
    list,
    caseWarnings(store.state.facts.warnings),
    h("p", { class: "dialog-note" }, "Until a level is confirmed its numbers are not shown."),
    h(
      "div",
      { class: "dialog-buttons" },
      button("Not now, only look", () => box.close()),
      yes,
    ),
  );
  let chosen = "";
  const mark = (name: string) => {
    chosen = name;
    setText(yes, `Yes, this is ${name}`);
  };
  const settle = () => {
    box.close();
    store.set({ confirmed: { ...store.state.confirmed, [chosen]: true } });
    if (chosen !== store.state.plan.level) void startPlan(context, { level: chosen });
  };
  const ask = () => {
    if (box.open) return;
    const { facts, plan } = store.state;
    mark(plan.level);
    list.replaceChildren(...facts.levels.map((level) => levelChoice(level, level.name === plan.level, mark)));
    box.showModal();
  };
  store.subscribe((state, changed) => {
    if (changed.has("plan") && state.plan.level !== asked && !state.confirmed[state.plan.level]) ask();
    asked = state.plan.level;
  });
  let asked = store.state.plan.level;
  return { ask };
}

function caseWarnings(warnings: string[]): HTMLElement | null {
  if (!warnings.length) return null;
  return fold(
    `Warnings on this case (${warnings.length})`,
    false,
    h("ul", { class: "warnings" }, ...warnings.map((words) => h("li", {}, words))),
  );
}

function levelChoice(level: LevelFacts, checked: boolean, mark: (name: string) => void): HTMLElement {
  const sure =
    level.confidence_frac === null ? "confidence not judged" : `confidence ${fixed(level.confidence_frac, 2)}`;
  return h(
    "label",
    { class: "level-choice" },
    h("input", {
      type: "radio",
      name: "level-meant",
      value: level.name,
      checked,
      autofocus: checked,
      disabled: !level.sides.length,
      onchange: () => mark(level.name),
    }),
    h(
      "span",
      {},
      h("strong", {}, level.name),
      h("span", { class: "quiet" }, ` ${level.upper} over ${level.lower}; ${sure}`),
      level.sides.length
        ? null
        : h("span", { class: "because mark" }, "! cannot be docked on: no way in, or no targets, in view"),
      level.check_by_eye ? h("em", { class: "mark" }, "! check by eye") : null,
      h("span", { class: "because" }, level.because),
      ...[...new Set(level.warnings)].map((warning) => h("span", { class: "because mark" }, `! ${warning}`)),
    ),
  );
}
