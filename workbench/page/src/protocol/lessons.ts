// A lesson filled in for a plan, a choice marked, and a plan judged that was made blind.

import { plan } from "./plan";
import { both, flag, list, nullable, numeric, object, oneOf, text, type TypeOf } from "./validation";

/** Until a step's question is marked, whatever would answer it reads "(a question asks this)". */
const stepTexts = object({
  /** What to do. */
  aim: text,
  /** What to see at which clock position, filled in from the geometry. */
  look: text,
  remove: text,
  danger: text,
});
export type StepTexts = TypeOf<typeof stepTexts>;

const lessonStep = both(
  stepTexts,
  object({
    title: text,
    camera: oneOf("scope", "bench", "axial", "radiograph"),
    /** Of the plan, for the camera. */
    phase: numeric,
    /** Of the endoscope's tip past the docking depth, for the camera. */
    depth_mm: numeric,
    /** "" where none is asked. */
    question: text,
    choices: list(text),
    /** Why a question of the lesson cannot be asked of this case and plan; "" else. */
    left_out: text,
    /** A task to try freely with plans that are pinned; "" where there is none. */
    explore: text,
  }),
);
export type LessonStep = TypeOf<typeof lessonStep>;

export const lessonAnswer = object({ name: text, title: text, intro: text, blind: flag, steps: list(lessonStep) });
export type LessonAnswer = TypeOf<typeof lessonAnswer>;

/** `revealed`: the step's texts with nothing held back. */
export const markAnswer = object({ right: flag, correct: text, because: text, revealed: stepTexts });
export type MarkAnswer = TypeOf<typeof markAnswer>;

/** What pinned plans come to of a task to explore; `met` null where it is stated only. */
export const exploreAnswer = object({ marks: list(object({ name: text, met: nullable(flag), words: text })) });
export type ExploreAnswer = TypeOf<typeof exploreAnswer>;

export const judgeAnswer = object({
  verdicts: list(object({ name: text, words: text, met: nullable(flag) })),
  /** Sentences: limits broken, targets not reached. */
  missed: list(text),
  numbers: list(object({ name: text, yours: text, good: text, difference: text })),
  /** A plan to hold it against. */
  good: nullable(object({ name: text, plan })),
  /** The judgement in a sentence or two. */
  words: text,
});
export type JudgeAnswer = TypeOf<typeof judgeAnswer>;

/** How far a lesson has come, as this computer keeps it. */
export const savedProgress = object({
  at: numeric,
  marks: list(object({ step: numeric, choice: text, answer: markAnswer, plan })),
  judged: nullable(judgeAnswer),
});
