// Answers that are drawn as charts: another tilt, another skin entry, another instrument. Null is not known.

import { maybeNumber, plan, RELATIONS, side } from "./plan";
import {
  both,
  dictionary,
  flag,
  list,
  nullable,
  numeric,
  object,
  oneOf,
  pair,
  record,
  text,
  type TypeOf,
} from "./validation";

const numbers = list(numeric);
const maybeNumbers = list(maybeNumber);

/** What a row of plans takes, keeps and frees (`targets_frac`: ipsilateral and contralateral side); one number a plan. */
const outcomes = object({
  bone_mm3: numbers,
  facet_area_frac: record(RELATIONS, maybeNumbers),
  reach_mm: maybeNumbers,
  targets_frac: dictionary(maybeNumbers),
});
export type Outcomes = TypeOf<typeof outcomes>;

/** What had to be freed, and the limits that the charts draw. */
const chartTask = object({
  level: text,
  side,
  wanted: list(text),
  enough_frac: numeric,
  limits: dictionary(object({ value: numeric, unit: text, source: text, evidence: text })),
});

export const tiltChart = both(
  both(outcomes, chartTask),
  object({
    phase: text,
    tilts_deg: numbers,
    /** The place of the plan's own tilt. */
    plan: numeric,
    /** By groups of structures, in the order they are stacked. */
    layers_mm3: dictionary(numbers),
    feasible: list(flag),
    bands_deg: list(pair(numeric)),
    /** The limit that is broken worst, "" where none is. */
    breaks: list(text),
    /** The plan at each tilt. */
    plans: list(plan),
  }),
);
export type TiltChart = TypeOf<typeof tiltChart>;

export const entryMap = both(
  chartTask,
  object({
    landmark: text,
    at: oneOf("skin", "pivot"),
    lateral_mm: numbers,
    cranial_mm: numbers,
    /** Rows are cranial, columns lateral. */
    bone_mm3: list(maybeNumbers),
    reached_frac: list(maybeNumbers),
    reached_bone_mm3: list(maybeNumbers),
    facet_area_frac: record(RELATIONS, list(maybeNumbers)),
    reasons: list(text),
    /** Place in `reasons`, -1 for none. */
    reason: list(numbers),
    plan_entry_mm: pair(numeric),
    best_place: nullable(pair(numeric)),
    evaluated: numeric,
    plans: list(list(plan)),
  }),
);
export type EntryMap = TypeOf<typeof entryMap>;

const instrumentCurve = object({
  part: oneOf("sleeve", "tool"),
  diameter_mm: numbers,
  plan_mm: numeric,
  held: outcomes,
  held_feasible: list(flag),
  best: outcomes,
  best_feasible: list(flag),
  bands_mm: list(pair(numeric)),
  stops_mm: maybeNumber,
  held_plans: list(plan),
  best_plans: list(plan),
});
export type InstrumentCurve = TypeOf<typeof instrumentCurve>;

export const instrumentChart = both(chartTask, object({ evaluated: numeric, curves: list(instrumentCurve) }));
export type InstrumentChart = TypeOf<typeof instrumentChart>;
