// The shape of the answer to each request: answers are checked against it where they enter the page.

import { entryMap, instrumentChart, tiltChart } from "./charts";
import { accessComparison, planComparison, searchResult } from "./comparisons";
import { auditAnswer, overviewAnswer } from "./case_facts";
import { estimateAnswer, executionAnswer } from "./estimate";
import { exploreAnswer, judgeAnswer, lessonAnswer, markAnswer } from "./lessons";
import type { RequestName } from "./messages";
import { plan } from "./plan";
import { radiographPair } from "./radiographs";
import { anything, checked, list, object, optional, text, type Shape, type TypeOf } from "./validation";

const planAnswer = object({ plan });
const pageAnswer = object({ url: text });
const planNames = object({ plans: list(text) });

export const ANSWERS = {
  estimate: estimateAnswer,
  execution: executionAnswer,
  removal: anything, // what is read is the header of its frame
  start: planAnswer,
  dock: planAnswer,
  enter: planAnswer,
  picture: object({ png: text }),
  angle_chart: tiltChart,
  entry_map: entryMap,
  instrument_chart: instrumentChart,
  search: searchResult,
  overview: overviewAnswer,
  audit: auditAnswer,
  cohort: pageAnswer,
  stop: anything,
  pinned: planComparison,
  accesses: accessComparison,
  plans: planNames,
  open: object({ name: text, plan, note: optional(text) }),
  save: object({ name: text, plans: list(text) }),
  forget: planNames,
  keep: anything,
  recall: object({ state: anything, note: optional(text) }),
  radiographs: radiographPair,
  sheet: pageAnswer,
  lesson: lessonAnswer,
  mark: markAnswer,
  explore: exploreAnswer,
  judge: judgeAnswer,
  report: pageAnswer,
} as const satisfies Record<RequestName, Shape<unknown>>;

/** The answer to a request of that name. */
export type AnswerTo<N extends RequestName> = TypeOf<(typeof ANSWERS)[N]>;

/** The answer, known to be of its shape; raises MalformedData. */
export const checkedAnswer = (name: RequestName, answer: unknown): unknown =>
  checked<unknown>(ANSWERS[name], answer, `The answer to '${name}'`);
