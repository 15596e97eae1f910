// Answers that hold plans against each other: a search, the best plan of each access, and plans pinned by a person.

import { freedVerdict, interval95, maybeNumber, plan, RELATIONS, threeAreas } from "./plan";
import {
  dictionary,
  flag,
  list,
  nullable,
  numeric,
  object,
  optional,
  oneOf,
  pair,
  record,
  text,
  type TypeOf,
} from "./validation";

const asExecuted = object({ both: numeric });

/** What a plan frees: free canal where it is narrowest. */
const freedAreas = object({ least_area_mm2: threeAreas });

const searchPick = object({
  instrument: text,
  approach: plan,
  skin_entry: object({ lateral_mm: numeric, at: text }),
  bone_removed_mm3: record(["resection"], object({ total: numeric, interval95 })),
  facet_area_frac: record(RELATIONS, maybeNumber),
  /** On the side freed less. */
  freed_frac: numeric,
  limits_broken: list(text),
  as_executed: asExecuted,
  verdict: optional(nullable(freedVerdict)),
  freed: optional(freedAreas),
});
export type SearchPick = TypeOf<typeof searchPick>;

/** A plan within the limits of which none frees more for less bone. */
const paretoCandidate = object({
  instrument: text,
  approach: plan,
  bone_removed_mm3: numeric,
  freed_frac: numeric,
  /** null where no joint was resolved */
  least_facet_kept_frac: nullable(numeric),
});
export type ParetoCandidate = TypeOf<typeof paretoCandidate>;

/** As `canalwise search --json`. */
export const searchResult = object({
  level: text,
  breadth: text,
  evaluated: numeric,
  stopped: flag,
  reason: text,
  best: searchPick,
  robust: searchPick,
  runner_up: nullable(searchPick),
  pareto: list(paretoCandidate),
});
export type SearchResult = TypeOf<typeof searchResult>;

const accessRow = object({
  name: text,
  bone_removed_mm3: numeric,
  interval95,
  facet_left_frac: maybeNumber,
  facet_right_frac: maybeNumber,
  canal_area_after_mm2: maybeNumber,
  freed_frac: numeric,
  as_executed: nullable(asExecuted),
  more_than_least: object({ bone_removed_mm3: numeric, interval95: pair(numeric), tie: flag }),
  /** One for each side; none for a midline laminectomy, which has no channel. */
  plans: list(plan),
  verdict: optional(nullable(freedVerdict)),
  freed: optional(freedAreas),
});
export type AccessRow = TypeOf<typeof accessRow>;

/** As `canalwise compare --json`. */
export const accessComparison = object({ level: text, rows: list(accessRow), conclusion: text, stopped: flag });
export type AccessComparison = TypeOf<typeof accessComparison>;

const difference = object({ value: numeric, interval95: pair(numeric), tie: flag });
export type Difference = TypeOf<typeof difference>;

const comparedPlan = object({
  /** A side, "both sides" or "midline laminectomy". */
  name: text,
  numbers: dictionary(nullable(object({ value: numeric, interval95 }))),
  /** From the first; null for the first itself. */
  differences: nullable(dictionary(nullable(difference))),
  words: text,
});
export type ComparedPlan = TypeOf<typeof comparedPlan>;

const comparedUnit = oneOf("mm", "mm2", "mm3", "fraction");
export type ComparedUnit = TypeOf<typeof comparedUnit>;

export const planComparison = object({
  level: text,
  quantities: list(object({ name: text, words: text, unit: comparedUnit })),
  rows: list(comparedPlan),
});
export type PlanComparison = TypeOf<typeof planComparison>;
