// The dialog that asks which level and side are meant, before any number of them is shown.

import { startPlan } from "../session/initial_plan";
import type { Context } from "../session/context";
import { button, dialog, fold, h, radioChoice, setText } from "../dom/elements";
import type { LevelFacts } from "../protocol/case_facts";
import { fixed } from "../model/number_format";
import { isConfirmed, placeOf } from "../model/store";
import type { Side } from "../protocol/plan";

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
  const sides = radioChoice<Side>(
    "Side of the entry, the patient's",
    [
      ["left", "Left"],
      ["right", "Right"],
    ],
    (side) => mark(chosen.level, side),
  );
  sides.element.id = "side-meant";
  const box = dialog(
    "confirm",
    "Which level and side are meant?",
    h("p", {}, LEAD),
    list,
    sides.element,
    caseWarnings(store.state.facts.warnings),
    h(
      "p",
      { class: "dialog-note" },
      "Until both are confirmed no number of a plan is shown. A change of either asks again.",
    ),
    h(
      "div",
      { class: "dialog-buttons" },
      button("Not now, only look", () => box.close()),
      yes,
    ),
  );
  let chosen: { level: string; side: Side } = { level: "", side: "left" };
  const mark = (level: string, side: Side) => {
    const allowed = store.state.facts.levels.find((one) => one.name === level)?.sides ?? [];
    chosen = { level, side: allowed.includes(side) ? side : (allowed[0] ?? side) };
    sides.show(chosen.side, allowed);
    setText(yes, `Yes, this is ${level}, from the ${chosen.side}`);
  };
  const settle = () => {
    box.close();
    requested = placeOf(chosen);
    store.set({ confirmed: { [placeOf(chosen)]: true } });
    if (placeOf(store.state.plan) !== placeOf(chosen)) void startPlan(context, chosen);
  };
  const ask = () => {
    if (box.open) return;
    const { facts, plan } = store.state;
    list.replaceChildren(
      ...facts.levels.map((level) => levelChoice(level, level.name === plan.level, (name) => mark(name, chosen.side))),
    );
    mark(plan.level, plan.side);
    box.showModal();
  };
  store.subscribe((state, changed) => {
    const place = placeOf(state.plan);
    if (changed.has("plan") && place !== requested) {
      requested = place;
      if (!isConfirmed(state)) ask();
    }
  });
  let requested = placeOf(store.state.plan);
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

/** A level to choose, with what speaks against its names and numbers folded beneath it. */
function levelChoice(level: LevelFacts, checked: boolean, mark: (name: string) => void): HTMLElement {
  const warnings = [...new Set(level.warnings)].map((warning) => h("li", {}, warning));
  const label = levelLabel(level, checked, mark);
  if (!warnings.length) return label;
  const what = `What to check at ${level.name} (${warnings.length})`;
  return h("div", {}, label, fold(what, false, h("ul", { class: "warnings" }, ...warnings)));
}

function levelLabel(level: LevelFacts, checked: boolean, mark: (name: string) => void): HTMLElement {
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
        : h("span", { class: "because mark" }, "! cannot be docked on: no access, or no targets, in view"),
      level.check_by_eye ? h("em", { class: "mark" }, "! check by eye") : null,
      h("span", { class: "because" }, level.because),
    ),
  );
}
