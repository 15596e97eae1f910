// How a lesson went: counts of questions asked, answered right, wrong and not at all.

import type { JudgeAnswer, LessonStep, MarkAnswer } from "../protocol/lessons";

/** A choice that was marked. */
export interface MarkedChoice {
  choice: string;
  answer: MarkAnswer;
}

export interface MissedQuestion {
  /** Place of the step, from 0. */
  step: number;
  title: string;
  words: string;
}

export interface LessonScore {
  asked: number;
  right: number;
  wrong: number;
  unanswered: number;
  missed: MissedQuestion[];
}

type ScoredSteps = readonly Pick<LessonStep, "title" | "question">[];
type MarksByStep = ReadonlyMap<number, MarkedChoice>;

/** Only steps that ask a question count; a question without an answer is missed as a wrong one is. */
export function scoreOf(steps: ScoredSteps, marks: MarksByStep): LessonScore {
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

function missedWords(mark: MarkedChoice | undefined): string {
  if (!mark) return "not answered";
  return `you said ${mark.choice}; it is ${mark.answer.correct}`;
}

/** What a line of a class's score file is about. */
export type ScoreSubject = Record<"lesson" | "case_mark" | "level" | "side", string>;

/** One line of a class's score file, with its heading. */
export function scoreCsv(score: LessonScore, about: ScoreSubject): string {
  const { asked, right, wrong, unanswered } = score;
  return csvOf({ ...about, asked, right, wrong, unanswered });
}

/** The same of a plan that was made blind: how many of what it is held against it meets. */
export function judgementCsv({ verdicts, missed }: JudgeAnswer, about: ScoreSubject): string {
  const count = (met: boolean | null) => verdicts.filter((one) => one.met === met).length;
  const counts = { judged: verdicts.length, met: count(true), not_met: count(false), not_measured: count(null) };
  return csvOf({ ...about, ...counts, missed: missed.join("; ") });
}

function csvOf(row: Record<string, string | number>): string {
  const quoted = (value: string | number) =>
    /[",\n]/.test(String(value)) ? `"${String(value).replaceAll('"', '""')}"` : value;
  return `${Object.keys(row).join(",")}\n${Object.values(row).map(quoted).join(",")}\n`;
}

export function scoreWords({ asked, right, wrong, unanswered }: LessonScore): string {
  if (!asked) return "This lesson asks no questions of this case.";
  const rest = [wrong ? `${wrong} wrong` : "", unanswered ? `${unanswered} not answered` : ""].filter(Boolean);
  return [`${right} of ${asked} right`, ...rest].join(", ") + ".";
}
