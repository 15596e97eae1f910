// The estimate of a plan, as far as the page reads it (`canalwise estimate --json` without its geometry).

import { freedVerdict, interval95, maybeNumber, RELATIONS, side, threeAreas, vec3 } from "./plan";
import {
  both,
  dictionary,
  flag,
  list,
  nullable,
  numeric,
  object,
  oneOf,
  optional,
  record,
  text,
  type TypeOf,
} from "./validation";

const removedBone = object({ bone_removed_mm3: object({ total: numeric, interval95 }) });
export type RemovedBone = TypeOf<typeof removedBone>;

const facetKept = object({
  area_frac: maybeNumber,
  width_frac: maybeNumber,
  interval95,
  width_interval95: interval95,
});
export type FacetKept = TypeOf<typeof facetKept>;

const facets = record(RELATIONS, nullable(facetKept));

const reach = object({
  lateral_mm: numeric,
  targets: dictionary(maybeNumber),
  limited_by: text,
  interval95,
});

const skinEntry = object({
  /** Of the midline, toward the side of the approach. */
  lateral_mm: numeric,
  /** Of the upper lamina's lower edge. */
  cranial_mm: numeric,
  depth_mm: numeric,
  /** "pivot" where no skin is in view. */
  at: oneOf("skin", "pivot"),
});
export type SkinEntry = TypeOf<typeof skinEntry>;

const verdict = object({
  name: text,
  value: maybeNumber,
  limit: numeric,
  unit: text,
  /** Null where it could not be measured. */
  met: nullable(flag),
  within_error: optional(flag),
  chance: optional(maybeNumber),
  source: text,
  evidence: text,
});
export type Verdict = TypeOf<typeof verdict>;

const chances = object({
  limits: dictionary(maybeNumber),
  targets: dictionary(maybeNumber),
  wanted: list(text),
  enough_frac: numeric,
  all_limits: maybeNumber,
  all_targets: maybeNumber,
  all: maybeNumber,
  /** That enough is freed, that every limit is kept, that both are; where they are worked out. */
  freed: optional(maybeNumber),
  kept: optional(maybeNumber),
  both: optional(maybeNumber),
  /** How many executions of the plan these rest on. */
  executions: optional(numeric),
});
export type Chances = TypeOf<typeof chances>;

/** The removal that frees the level: what is carried to theatre. */
const resection = object({
  bone_removed_mm3: object({ total: numeric, interval95, by_structure: dictionary(numeric) }),
  facet_unresolved: optional(record(RELATIONS, nullable(text))),
  facet_preserved: record(
    RELATIONS,
    nullable(
      object({
        area_frac: maybeNumber,
        width_frac: maybeNumber,
        volume_frac: maybeNumber,
        interval95: optional(interval95),
        width_interval95: optional(interval95),
      }),
    ),
  ),
  pars_residual_mm: both(
    record(RELATIONS, maybeNumber),
    object({ interval95: optional(record(RELATIONS, interval95)) }),
  ),
  spinous_base: object({
    undercut_frac: maybeNumber,
    bridge_mm: maybeNumber,
    bridge_interval95: optional(interval95),
    undercut_interval95: optional(interval95),
  }),
  contralateral_reach: object({ lateral_mm: maybeNumber, limited_by: text, interval95: optional(interval95) }),
  steps: list(object({ name: text, bone_mm3: numeric, area_gained_mm2: numeric })),
  limits: list(verdict),
});
export type Resection = TypeOf<typeof resection>;

/** What the resection frees. */
const freed = object({
  share: maybeNumber,
  ipsilateral: maybeNumber,
  contralateral: maybeNumber,
  insertions: dictionary(flag),
  least_area_mm2: threeAreas,
  at_disc_area_mm2: threeAreas,
  /** Level z of the stations, and the free area there. */
  stations_mm: list(numeric),
  area_mm2: object({ before: list(maybeNumber), needed: list(maybeNumber), after: list(maybeNumber) }),
  root_room_mm: record(RELATIONS, maybeNumber),
  /** Where executions of the plan were worked out. */
  interval95: optional(
    object({
      share: interval95,
      ipsilateral: interval95,
      contralateral: interval95,
      least_area_after_mm2: interval95,
      at_disc_area_after_mm2: interval95,
    }),
  ),
});
export type Freed = TypeOf<typeof freed>;

/** Intervals and chances of a resection, worked out once a plan rests; they join the estimate of the same plan. */
export const executionAnswer = object({
  resection,
  freed,
  verdict: freedVerdict,
  chances: object({ freed: maybeNumber, kept: maybeNumber, both: maybeNumber, executions: numeric }),
});
export type ExecutionAnswer = TypeOf<typeof executionAnswer>;

const estimate = object({
  level: text,
  side,
  cone: removedBone,
  task: both(removedBone, object({ facet_preserved: facets, targets: dictionary(maybeNumber) })),
  facet_preserved: facets,
  pars_residual_mm: both(record(RELATIONS, maybeNumber), object({ interval95: record(RELATIONS, interval95) })),
  spinous_base: object({
    undercut_frac: maybeNumber,
    bridge_mm: maybeNumber,
    bridge_interval95: interval95,
  }),
  contralateral_reach: nullable(reach),
  decompression: object({
    canal_area_mm2: object({ before: maybeNumber, after: maybeNumber, interval95: object({ after: interval95 }) }),
  }),
  skin_entry: skinEntry,
  verdicts: list(verdict),
  /** What is freed, and whether that is enough; not while a slider moves. */
  verdict: optional(nullable(freedVerdict)),
  resection: optional(nullable(resection)),
  freed: optional(nullable(freed)),
  chances,
  /** How many samples intervals and chances were drawn from; 0 for none. */
  samples: numeric,
  warnings: list(text),
  sources: dictionary(text),
});
export type Estimate = TypeOf<typeof estimate>;

/** What stops the next millimetre of reach on the contralateral side. */
const blocker = object({
  point_mm: vec3,
  /** The target that is not reached for it. */
  target_mm: vec3,
  words: text,
});

export const estimateAnswer = object({
  estimate,
  /** Null when nothing stops it. */
  blocker: nullable(blocker),
  /** Of the estimator itself. */
  took_s: numeric,
});
export type EstimateAnswer = TypeOf<typeof estimateAnswer>;
