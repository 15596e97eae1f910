// The pages of a lesson: its steps in a row, one step with its question, the score, the judgement on a blind plan.

import { button, type Child, freshId, h } from "../dom/elements";
import type { JudgeAnswer, LessonAnswer, LessonStep, StepTexts } from "../protocol/lessons";
import { type LessonScore, type MarkedChoice, scoreOf, scoreWords } from "../model/lesson_score";

/** A heading that can take the focus, so that a new page of the lesson is read out. */
export const heading = (words: string): HTMLHeadingElement => h("h3", { tabindex: -1, class: "lesson-heading" }, words);

export const note = (words: string, ...more: Child[]): HTMLElement =>
  h("div", { class: "lesson-note" }, h("p", {}, words), ...more);

/** The steps as numbered buttons; each says how its question went. */
export function stepList(
  lesson: LessonAnswer,
  at: number,
  marks: ReadonlyMap<number, MarkedChoice>,
  go: (step: number) => void,
): HTMLElement {
  const items = lesson.steps.map((step, index) => {
    const state = stateOf(step, marks.get(index));
    const words = `${index + 1}${state.sign}`;
    const label = `Step ${index + 1}, ${step.title}${state.words}`;
    return h(
      "li",
      {},
      button(words, () => go(index), {
        "aria-label": label,
        title: label,
        "aria-current": index === at ? "step" : undefined,
      }),
    );
  });
  return h("ol", { class: "lesson-steps", "aria-label": "Steps" }, ...items);
}

function stateOf(step: LessonStep, mark: MarkedChoice | undefined): { sign: string; words: string } {
  if (!step.question) return { sign: "", words: "" };
  if (!mark) return { sign: " ?", words: ", asks a question" };
  return mark.answer.right
    ? { sign: " \u2713", words: ", answered right" }
    : { sign: " \u2717", words: ", answered wrong" };
}

const PARTS: readonly (readonly [keyof StepTexts, string])[] = [
  ["aim", "Do"],
  ["look", "See"],
  ["remove", "Remove"],
  ["danger", "Danger"],
];

export function stepWords(words: StepTexts): HTMLElement {
  const present = PARTS.filter(([part]) => words[part] !== "");
  const rows = present.flatMap(([part, name]) => [h("dt", { class: part }, name), h("dd", {}, words[part])]);
  return h("dl", { class: "lesson-words" }, ...rows);
}

/** The question as radio buttons, or what became of it. */
export function questionForm(
  step: LessonStep,
  mark: MarkedChoice | undefined,
  answer: (choice: string) => void,
): HTMLElement {
  if (step.left_out) return note(`No question here: ${step.left_out}`);
  if (!step.question) return h("div", {});
  const name = freshId("answer");
  const choices = step.choices.map((choice) =>
    h(
      "label",
      { class: "tick" },
      h("input", { type: "radio", name, value: choice, required: true, checked: choice === mark?.choice }),
      h("span", {}, choiceWords(choice, mark)),
    ),
  );
  const form = h(
    "form",
    { class: "lesson-question", onsubmit: (event) => submitted(event, form, name, answer) },
    h(
      "fieldset",
      { disabled: mark !== undefined },
      h("legend", {}, step.question),
      h("div", { class: "ticks" }, ...choices),
    ),
    mark ? feedback(mark) : button("Answer", () => undefined, { type: "submit", class: "primary" }),
  );
  return form;
}

function submitted(event: Event, form: HTMLFormElement, name: string, answer: (choice: string) => void): void {
  event.preventDefault();
  const choice = new FormData(form).get(name);
  if (typeof choice === "string") answer(choice);
}

function choiceWords(choice: string, mark: MarkedChoice | undefined): string {
  if (mark && choice === mark.answer.correct) return `${choice} \u2713`;
  return mark && choice === mark.choice ? `${choice} \u2717` : choice;
}

function feedback({ answer }: MarkedChoice): HTMLElement {
  const words = answer.right ? "\u2713 Right." : `\u2717 Not so. It is: ${answer.correct}.`;
  return h(
    "div",
    { class: `lesson-feedback${answer.right ? "" : " wrong"}`, tabindex: -1 },
    h("p", {}, h("strong", {}, words)),
    h("p", {}, answer.because),
  );
}

/** The end of a lesson with questions: the score, and the way back to what was missed. */
export function scorePage(
  lesson: LessonAnswer,
  marks: ReadonlyMap<number, MarkedChoice>,
  go: (step: number) => void,
  again: () => void,
  save: (score: LessonScore, kind: "csv" | "json") => void,
): Child[] {
  const score = scoreOf(lesson.steps, marks);
  const back = score.missed.map(({ step, title, words }) =>
    h(
      "li",
      {},
      button(`Step ${step + 1}: ${title}`, () => go(step)),
      h("span", {}, ` ${words}`),
    ),
  );
  return [
    heading("How it went"),
    h("p", { class: "lesson-score", id: "lesson-score" }, scoreWords(score)),
    back.length
      ? h("div", {}, h("p", {}, "Look again at what was missed:"), h("ul", { class: "lesson-missed" }, ...back))
      : score.asked
        ? h("p", {}, "Nothing was missed.")
        : null,
    scoreFiles((kind) => save(score, kind), button("Start again", again)),
  ];
}

const scoreFiles = (save: (kind: "csv" | "json") => void, ...before: HTMLElement[]): HTMLElement =>
  h(
    "p",
    { class: "score-files" },
    ...before,
    button("Save the score (CSV)", () => save("csv")),
    button("Save the score (JSON)", () => save("json")),
  );

/** The judgement on a plan that was made blind. */
export function judgementPage(
  judged: JudgeAnswer,
  take: (() => void) | null,
  save: (kind: "csv" | "json") => void,
): Child[] {
  const { missed, verdicts, numbers, good } = judged;
  const rows = numbers.map((row) =>
    h(
      "tr",
      {},
      h("th", { scope: "row" }, row.name),
      h("td", {}, row.yours),
      ...(good ? [h("td", {}, row.good), h("td", {}, row.difference)] : []),
    ),
  );
  const heads = ["your plan", ...(good ? [good.name, "difference"] : [])].map((words) =>
    h("th", { scope: "col" }, words),
  );
  return [
    heading("The plan is judged"),
    h("p", { class: "lesson-score" }, judged.words),
    missed.length ? h("ul", { class: "lesson-missed" }, ...missed.map((words) => h("li", {}, `! ${words}`))) : null,
    h(
      "table",
      { class: "lesson-table" },
      h("caption", {}, good ? "Held against a good plan" : "In numbers"),
      h("thead", {}, h("tr", {}, h("td", {}), ...heads)),
      h("tbody", {}, ...rows),
    ),
    h(
      "table",
      { class: "lesson-table" },
      h("caption", {}, "Held against the limits"),
      h("tbody", {}, ...verdicts.map(verdictRow)),
    ),
    take && good ? button("Take that plan over", take) : null,
    take && good ? h("span", { class: "quiet" }, " Undo brings yours back.") : null,
    scoreFiles(save),
  ];
}

function verdictRow({ name, words, met }: JudgeAnswer["verdicts"][number]): HTMLElement {
  const stands = met === null ? "not measured" : met ? "kept" : "! broken";
  return h(
    "tr",
    { class: met === false ? "breached" : undefined },
    h("th", { scope: "row" }, name),
    h("td", {}, words),
    h("td", {}, stands),
  );
}
