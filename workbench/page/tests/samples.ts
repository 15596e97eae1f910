// Values that several tests start from.

import type { State } from "../src/model/store";
import type { Plan } from "../src/protocol/plan";

export const PLAN: Plan = {
  level: "L4-L5",
  side: "left",
  docking_point_mm: [6, 14, -2],
  pivot_distance_mm: 50,
  phases: [
    {
      name: "ipsilateral",
      medial_tilt_deg: -5,
      cranial_tilt_deg: 4,
      sweep_half_angle_deg: 3,
      sleeve_past_lamina_mm: 2,
      tip_past_lamina_mm: 12,
      pivot_shift_mm: [0, 0, 0],
    },
    {
      name: "over the top",
      medial_tilt_deg: 24,
      cranial_tilt_deg: 0,
      sweep_half_angle_deg: 4,
      sleeve_past_lamina_mm: 6,
      tip_past_lamina_mm: 26,
      pivot_shift_mm: [3, 0, 0],
    },
  ],
  channel: {
    sleeve_diameter_mm: 10,
    scope_diameter_mm: 8,
    tool_diameter_mm: 4,
    working_length_mm: 120,
    working_distance_mm: 5,
    lens_angle_deg: 15,
  },
};

/** The plan with one tilt of its last phase. */
export const tiltedTo = (medial_tilt_deg: number): Plan => ({
  ...PLAN,
  phases: PLAN.phases.map((phase, place) => (place === 1 ? { ...phase, medial_tilt_deg } : phase)),
});

export const STATE: State = {
  facts: {
    caution: "for rehearsal only",
    mark: "0a1b2c3d",
    modality: "CT",
    levels: [],
    tasks: ["roof"],
    instruments: [],
    warnings: [],
    plans: [],
    start: { level: null, side: null, plan: null },
    audits: [],
    several: false,
    cohort: false,
    lessons: [],
    bounds: {},
    grey_window: [-150, 900],
  },
  plan: PLAN,
  name: "",
  task: ["roof"],
  confirmed: {},
  moving: false,
  answer: null,
  fresh: false,
  executions: null,
  removal: null,
  looks: {
    theme: "dark",
    turned: "theatre",
    grey_window: [-150, 900],
    phase: 0,
    scope_past_mm: -12,
    scope_view_deg: 80,
    scope_turn_deg: 0,
    clip: "",
    clip_mm: 0,
    bone_opacity: 1,
    shown: {},
    panel: "slices",
  },
  pins: [],
  measurement: null,
  blind: false,
  link: "up",
  problem: "",
};
