// What the page hears of a case once: when it opens (GET case.json) levels, instruments, lessons, bounds; on request,
// what other commands left with it: the spine with its levels, several planned together, an audit.

import { channel, maybeNumber, side, vec3 } from "./plan";
import {
  dictionary,
  flag,
  list,
  nullable,
  numeric,
  object,
  oneOf,
  optional,
  pair,
  text,
  type TypeOf,
} from "./validation";

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
  /** What the command line requested to start with. */
  start: object({ level: nullable(text), side: nullable(side), plan: nullable(text) }),
  /** Levels whose audit is kept. */
  audits: list(text),
  /** Is a plan of several levels kept, and is the case one of a cohort with a summary? */
  several: flag,
  cohort: flag,
  lessons: list(object({ name: text, title: text })),
  /** The planner's bounds, by the name of what they bound. */
  bounds: dictionary(object({ low: numeric, high: numeric, source: text })),
  /** Black and white, in the scan's own unit. */
  grey_window: pair(numeric),
});
export type CaseFacts = TypeOf<typeof caseFacts>;

const levelOverview = object({
  name: text,
  /** A PNG as a data URL, "" where the sac is not in view. */
  section: text,
  words: text,
  /** 1 is the narrowest; null where no order is proposed. */
  rank: maybeNumber,
  reasons: list(text),
  /** Side, freed, areas, bone, facets kept, limits broken of the kept plan of several levels; empty for none. */
  planned: list(text),
  /** Under which name that level's plan is kept; "" for none. */
  plan: text,
});
export type LevelOverview = TypeOf<typeof levelOverview>;

export const overviewAnswer = object({
  sac: text,
  proposal: text,
  /** The scan along the sac; `at`: how far down each level lies, as a share of the height. */
  side: nullable(object({ png: text, width: numeric, height: numeric, at: dictionary(numeric) })),
  levels: list(levelOverview),
  several: list(text),
});

const auditTable = object({
  title: text,
  columns: list(text),
  rows: list(list(text)),
  /** Where each row lies, level mm, of a table of places. */
  places: optional(list(vec3)),
});
export type AuditTable = TypeOf<typeof auditTable>;

export const auditAnswer = object({
  level: text,
  sentence: text,
  tables: list(auditTable),
  sentences: list(text),
  /** Of an audit that was kept without maps, else "". */
  picture: text,
  maps: flag,
});
