// What the page is told of a case once, when it opens: levels, instruments, lessons, bounds (GET case.json).

import { channel, maybeNumber, side } from "./plan";
import { dictionary, flag, list, nullable, numeric, object, oneOf, pair, text, type TypeOf } from "./validation";

const levelFacts = object({
  name: text,
  upper: text,
  lower: text,
  /** Sides that can be docked on. */
  sides: list(side),
  check_by_eye: flag,
  confidence_frac: maybeNumber,
  /** What the names of the vertebrae rest on. */
  because: text,
  warnings: list(text),
});
export type LevelFacts = TypeOf<typeof levelFacts>;

export const caseFacts = object({
  caution: text,
  /** First characters of the anatomy's checksum: tells cases apart, and not whose they are. */
  mark: text,
  modality: oneOf("CT", "MR"),
  levels: list(levelFacts),
  /** Every set of targets that a task may name. */
  tasks: list(text),
  instruments: list(object({ name: text, channel })),
  warnings: list(text),
  /** Named plans kept in the case. */
  plans: list(text),
  /** What the command line asked to start with. */
  start: object({ level: nullable(text), side: nullable(side), plan: nullable(text) }),
  lessons: list(object({ name: text, title: text })),
  /** The planner's bounds, by the name of what they bound. */
  bounds: dictionary(object({ low: numeric, high: numeric, source: text })),
  /** Black and white, in the scan's own unit. */
  grey_window: pair(numeric),
});
export type CaseFacts = TypeOf<typeof caseFacts>;
