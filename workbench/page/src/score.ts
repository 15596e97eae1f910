// How a lesson went: pure counting of what was asked, answered and missed.

import type { LessonStep, MarkAnswer } from "./protocol";

/** A choice that was marked. */
export interface Mark {
  choice: string;
  answer: MarkAnswer;
}

export interface Missed {
  /** Place of the step, from 0. */
  step: number;
  title: string;
  words: string;
}

export interface Score {
  asked: number;
  right: number;
  wrong: number;
  unanswered: number;
  missed: Missed[];
}

type Steps = readonly Pick<LessonStep, "title" | "question">[];
type Marks = ReadonlyMap<number, Mark>;

/** Only steps that ask a question count; a question without an answer is missed as a wrong one is. */
export function scoreOf(steps: Steps, marks: Marks): Score {
  const asked = steps.map((step, index) => ({ step, index })).filter(({ step }) => step.question !== "");
  const marked = asked.map(({ index }) => marks.get(index));
  const right = marked.filter((mark) => mark?.answer.right).length;
  const unanswered = marked.filter((mark) => mark === undefined).length;
  return {
    asked: asked.length,
    right,
    wrong: asked.length - right - unanswered,
    unanswered,
    missed: asked
      .filter(({ index }) => !marks.get(index)?.answer.right)
      .map(({ step, index }) => ({ step: index, title: step.title, words: missedWords(marks.get(index)) })),
  };
}

function missedWords(mark: Mark | undefined): string {
  if (!mark) return "not answered";
  return `you said ${mark.choice}; it is ${mark.answer.correct}`;
}

export function scoreWords({ asked, right, wrong, unanswered }: Score): string {
  if (!asked) return "This lesson asks no questions of this case.";
  const rest = [wrong ? `${wrong} wrong` : "", unanswered ? `${unanswered} not answered` : ""].filter(Boolean);
  return [`${right} of ${asked} right`, ...rest].join(", ") + ".";
}
