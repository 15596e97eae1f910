// Messages over the socket: what the page asks, and the envelopes that answers, refusals and progress come in.
// Every request carries `seq`, a number that grows; its replies carry the same. The shapes of answers are in answers.ts.

import type { Plan, Side, Vec3 } from "./plan";
import { anything, either, flag, numeric, object, text, type TypeOf } from "./validation";

export type ServerRequest =
  | { ask: "estimate"; plan: Plan; task: string[]; intervals: boolean }
  | { ask: "execution"; plan: Plan } // intervals and chances of the resection: some seconds
  | { ask: "removal"; plan: Plan; task: string[] } // answered with a binary frame
  | { ask: "start"; level: string; side: Side; instrument: string }
  | { ask: "dock"; plan: Plan; point_mm: Vec3 } // docked there, all targets kept in the sweep as at the start
  | { ask: "enter"; plan: Plan; lateral_mm: number; cranial_mm: number } // through that skin entry
  | { ask: "picture"; plan: Plan; task: string[]; view: "planned" | "afterwards" } // for pages without WebGL
  | { ask: "angle_chart"; plan: Plan; phase: string; task: string[] }
  | { ask: "entry_map"; plan: Plan; task: string[] }
  | { ask: "instrument_chart"; plan: Plan; task: string[] }
  | {
      ask: "search";
      level: string;
      sides: Side[];
      instruments: string[];
      breadth: string;
      budget: number;
      seed: number;
    }
  | { ask: "overview" } // the spine with its levels, and what is kept of several
  | { ask: "audit"; level: string } // the one kept of that level
  | { ask: "cohort" } // the summary of the case's cohort
  | { ask: "stop"; of: number } // of: the seq of the request to call off
  | { ask: "pinned"; plans: Plan[]; task: string[]; midline: boolean; both: boolean }
  | { ask: "accesses"; level: string; budget: number; seed: number }
  | { ask: "plans" }
  | { ask: "open"; name: string }
  | { ask: "save"; name: string; plan: Plan; replace: boolean }
  | { ask: "forget"; name: string }
  | { ask: "keep"; tab: string; state: unknown } // autosave
  | { ask: "recall"; tab: string } // of that tab, or of the newest other where it has none
  | { ask: "radiographs"; plan: Plan }
  | { ask: "sheet"; plan: Plan; task: string[]; scope: string; name: string } // scope: PNG data URL of the first view or ""
  | { ask: "lesson"; name: string; plan: Plan; task: string[] }
  | { ask: "mark"; lesson: string; step: number; plan: Plan; task: string[]; choice: string }
  | { ask: "explore"; lesson: string; step: number; plans: Plan[] } // plans of a trainee's own, held against a task
  | { ask: "judge"; lesson: string; plan: Plan; task: string[] } // for a blind lesson
  | { ask: "report"; plan: Plan; task: string[]; pdf: boolean; name: string };

export type RequestName = ServerRequest["ask"];

/** Why a request was refused, in words for people. */
const problem = object({ who: text, rule: text, got: text, do: text });
export type Problem = TypeOf<typeof problem>;

/** `binary`: the next binary frame belongs to the answer. */
const answered = object({ seq: numeric, answer: anything, binary: flag });
const refused = object({ seq: numeric, problem });
/** No answer will come: overtaken by a newer request, or called off. */
const dropped = object({ seq: numeric, dropped: flag });
const inProgress = object({ seq: numeric, progress: object({ done: numeric, total: numeric, words: text }) });

/** What any reply of the server is. */
export const reply = either(either(answered, refused), either(dropped, inProgress));
export type Reply = TypeOf<typeof reply>;
