// What the server answers to charts, as far as it is drawn (workbench/rehearsal/handlers/charts.py). Null is not known.

import type { Plan, Relation, Side } from "./protocol";

export type Known = number | null;

export interface Told {
  bone_mm3: number[];
  facet_area_frac: Record<Relation, Known[]>;
  reach_mm: Known[];
  targets_frac: Record<string, Known[]>;
}

interface Asked {
  level: string;
  side: Side;
  wanted: string[];
  enough_frac: number;
  limits: Record<string, { value: number; unit: string; source: string; evidence: string }>;
}

export interface AngleChart extends Told, Asked {
  phase: string;
  tilts_deg: number[];
  plan: number; // the place of the plan's own tilt
  layers_mm3: Record<string, number[]>; // by groups of structures, in the order they are stacked
  feasible: boolean[];
  bands_deg: [number, number][];
  breaks: string[]; // the limit that is broken worst, "" where none is
  plans: Plan[]; // the plan at each tilt
}

export interface EntryMap extends Asked {
  landmark: string;
  at: "skin" | "pivot";
  lateral_mm: number[];
  cranial_mm: number[];
  bone_mm3: Known[][]; // rows are cranial, columns lateral
  reached_frac: Known[][];
  reached_bone_mm3: Known[][];
  facet_area_frac: Record<Relation, Known[][]>;
  reasons: string[];
  reason: number[][]; // place in `reasons`, -1 for none
  plan_entry_mm: [number, number];
  best_place: [number, number] | null;
  evaluated: number;
  plans: Plan[][];
}

export interface Curve {
  part: "sleeve" | "tool";
  diameter_mm: number[];
  plan_mm: number;
  held: Told;
  held_feasible: boolean[];
  best: Told;
  best_feasible: boolean[];
  bands_mm: [number, number][];
  stops_mm: number | null;
  held_plans: Plan[];
  best_plans: Plan[];
}

export interface InstrumentChart extends Asked {
  evaluated: number;
  curves: Curve[];
}
