// A plan as page and server pass it, field by field the estimator's Approach; and the values that all messages share.
// Points and directions are in the level frame, mm: x to the patient's left, y dorsal, z cranial.

import { flag, list, nullable, numeric, object, oneOf, pair, text, triple, type TypeOf } from "./validation";

export const side = oneOf("left", "right");
export type Side = TypeOf<typeof side>;

/** Sides as seen from the approach. */
export const RELATIONS = ["ipsilateral", "contralateral"] as const;
export type Relation = (typeof RELATIONS)[number];

export const vec3 = triple(numeric);
export type Vec3 = TypeOf<typeof vec3>;

export const maybeNumber = nullable(numeric);
export type MaybeNumber = TypeOf<typeof maybeNumber>;

/** Both ends of a 95 % interval; null while it is not worked out. */
export const interval95 = nullable(pair(maybeNumber));
export type Interval95 = TypeOf<typeof interval95>;

export const channel = object({
  sleeve_diameter_mm: numeric,
  scope_diameter_mm: numeric,
  tool_diameter_mm: numeric,
  working_length_mm: numeric,
  working_distance_mm: numeric,
  lens_angle_deg: numeric,
});
export type Channel = TypeOf<typeof channel>;

export const phase = object({
  name: text,
  medial_tilt_deg: numeric,
  cranial_tilt_deg: numeric,
  sweep_half_angle_deg: numeric,
  sleeve_past_lamina_mm: numeric,
  tip_past_lamina_mm: numeric,
  pivot_shift_mm: vec3,
});
export type Phase = TypeOf<typeof phase>;

export const plan = object({
  level: text,
  side,
  docking_point_mm: vec3,
  pivot_distance_mm: numeric,
  phases: list(phase),
  channel,
});
export type Plan = TypeOf<typeof plan>;

/** Free canal where it is narrowest. */
export const threeAreas = object({ before: maybeNumber, needed: maybeNumber, after: maybeNumber });
export type ThreeAreas = TypeOf<typeof threeAreas>;

/** Whether a plan frees enough within the limits, in one sentence. */
export const freedVerdict = object({ freed: flag, kept: nullable(flag), sentence: text });
export type FreedVerdict = TypeOf<typeof freedVerdict>;
