// What page and server say to each other. The server's side is workbench/rehearsal; it checks every message.
// Points and directions are in the level frame, mm: x to the patient's left, y dorsal, z cranial.

export type Side = "left" | "right";
export type Relation = "ipsilateral" | "contralateral";
export type Vec3 = [number, number, number];
export type Ends = [number, number] | null;

export interface Channel {
  sleeve_diameter_mm: number;
  scope_diameter_mm: number;
  tool_diameter_mm: number;
  working_length_mm: number;
  working_distance_mm: number;
  lens_angle_deg: number;
}

export interface Phase {
  name: string;
  medial_tilt_deg: number;
  cranial_tilt_deg: number;
  sweep_half_angle_deg: number;
  sleeve_past_lamina_mm: number;
  tip_past_lamina_mm: number;
  pivot_shift_mm: Vec3;
}

// The estimator's Approach, field by field.
export interface Plan {
  level: string;
  side: Side;
  docking_point_mm: Vec3;
  pivot_distance_mm: number;
  phases: Phase[];
  channel: Channel;
}

// GET case.json
export interface CaseFacts {
  schema: string;
  caution: string;
  modality: "CT" | "MR";
  levels: LevelFacts[];
  tasks: string[]; // every set of targets a task may name
  instruments: { name: string; channel: Channel; source: string; evidence: string }[];
  sources: Record<string, string>;
  warnings: string[];
  plans: string[]; // named plans kept in the case
  start: { level: string | null; side: Side | null; plan: string | null }; // what the command line asked to start with
  lessons: { name: string; title: string }[];
  bounds: Record<string, { low: number; high: number; unit: string; source: string; evidence: string }>;
  grey_window: [number, number]; // black and white, in the scan's own unit
}

export interface LevelFacts {
  name: string;
  upper: string;
  lower: string;
  sides: Side[]; // sides that can be docked on
  check_by_eye: boolean;
  confidence_frac: number | null;
  because: string; // what the names of the vertebrae rest on
  warnings: string[];
}

// A binary frame: uint32 little-endian length of the header, the header as JSON in UTF-8 padded to 4 bytes with
// spaces, then the arrays, each aligned to 4 bytes at header.arrays[name].offset (counted from the end of the header).
export interface ArrayPlace {
  dtype: "float32" | "uint32" | "uint16" | "int16" | "uint8";
  shape: number[];
  offset: number;
}

// GET levels/LEVEL/scene.bin: triangle meshes; arrays "NAME.points" (N,3) float32, "NAME.triangles" (M,3) uint32 and,
// for bone meshes, "NAME.part" (N) uint8, an index into `parts`.
export interface SceneHeader {
  schema: string;
  level: string;
  arrays: Record<string, ArrayPlace>;
  meshes: string[]; // "bone", "bone_proxy", "canal", "sac", "flavum", "disc", "joint_left", "joint_right", "skin", as far as in view
  parts: string[]; // such as "L3 lamina left"
  targets: Record<string, Vec3[]>; // "left lateral recess": points
  landmarks: Record<string, Vec3>;
  windows: Partial<Record<Side, { centre: Vec3; normal: Vec3; width_mm: number; height_mm: number }>>;
  sac: string; // where the sac comes from: "measured", "given", "modelled", ...
}

// GET levels/LEVEL/scan.bin: "grey" int16 and "labels" uint16, both flat runs of `shape`, first index fastest; `parts`
// names labels. A value of the scan is grey * grey_step + grey_zero: 1 and 0 but for scans of broken numbers.
export interface ScanHeader {
  schema: string;
  level: string;
  arrays: Record<string, ArrayPlace>;
  shape: Vec3;
  index_of_level: number[]; // 4x4, row-major: level mm -> index of a voxel's centre
  outside: number; // the scan's value beyond it
  grey_step: number;
  grey_zero: number;
  cut_short: boolean; // kept smaller than wished for, to stay within what a page can hold
  parts: Record<string, string>;
}

// A removal as a volume, beside an estimate: "task" and "cone" uint8, 255 = all of the voxel's bone goes,
// and "bone" uint8, the share of each voxel that is bone; flat runs of
// `shape`, first index fastest. Nothing goes beyond it; `shape` is 0, 0, 0 where nothing goes at all.
export interface RemovalHeader {
  schema: string;
  level: string;
  arrays: Record<string, ArrayPlace>;
  shape: Vec3;
  index_of_level: number[];
}

// Messages over the socket. Every question carries `seq`, a number that grows; its answers carry the same.
export type Question =
  | { ask: "estimate"; plan: Plan; task: string[]; intervals: boolean } // -> EstimateAnswer
  | { ask: "removal"; plan: Plan; task: string[] } // -> RemovalHeader and a binary frame
  | { ask: "start"; level: string; side: Side; instrument: string } // -> { plan }
  | { ask: "dock"; plan: Plan; point_mm: Vec3 } // -> { plan }: docked there, all targets kept in the sweep as at the start
  | { ask: "enter"; plan: Plan; lateral_mm: number; cranial_mm: number } // -> { plan }: through that skin entry
  | { ask: "picture"; plan: Plan; task: string[]; view: "planned" | "afterwards" } // -> { png: data URL }, for pages without WebGL
  | { ask: "angle_chart"; plan: Plan; phase: string; task: string[] } // -> estimator's AngleChart as JSON
  | { ask: "entry_map"; plan: Plan; task: string[] }
  | { ask: "instrument_chart"; plan: Plan; task: string[] }
  | { ask: "search"; level: string; sides: Side[]; instruments: string[]; task: string[]; budget: number; seed: number }
  | { ask: "stop"; of: number } // of: the seq of the question to call off; -> {}
  | { ask: "pinned"; plans: Plan[]; task: string[]; midline: boolean; both: boolean } // -> PinnedAnswer of compare.ts
  | { ask: "ways"; level: string; task: string[]; budget: number; seed: number } // -> `canalwise compare --json`
  | { ask: "plans" } // -> { plans: string[] }
  | { ask: "open"; name: string } // -> { name, plan }
  | { ask: "save"; name: string; plan: Plan; replace: boolean } // -> { name, plans }
  | { ask: "forget"; name: string } // -> { plans }
  | { ask: "keep"; tab: string; state: unknown } // autosave -> {}
  | { ask: "recall"; tab: string } // -> { state } of that tab, or of the newest other where it has none, or null
  | { ask: "radiographs"; plan: Plan } // -> { ap, lateral }: Radiograph
  | { ask: "sheet"; plan: Plan; task: string[]; scope: string } // scope: PNG data URL of the first view or ""; -> { url } of a page to print
  | { ask: "lesson"; name: string; plan: Plan; task: string[] } // -> LessonAnswer
  | { ask: "mark"; lesson: string; step: number; plan: Plan; task: string[]; choice: string } // -> MarkAnswer
  | { ask: "judge"; lesson: string; plan: Plan; task: string[] } // -> JudgeAnswer, for a blind lesson
  | { ask: "report"; plan: Plan; task: string[]; pdf: boolean }; // -> { url }

export type Ask = Question["ask"];

export interface Problem {
  who: string;
  rule: string;
  got: string;
  do: string;
}

export type Reply =
  | { seq: number; ask: Ask; answer: unknown; binary: boolean } // binary: the next binary frame belongs to it
  | { seq: number; ask: Ask; problem: Problem }
  | { seq: number; ask: Ask; dropped: true } // no answer will come: overtaken by a newer question, or called off
  | { seq: number; ask: Ask; progress: { done: number; total: number; words: string } };

// `canalwise estimate --json` without "geometry", as far as the page reads it.
export interface Estimate {
  schema: string;
  level: string;
  side: Side;
  approach: Plan;
  cone: Removed;
  task: Removed & { facet_preserved: Record<Relation, Facet | null>; targets: Record<string, number | null> };
  facet_preserved: Record<Relation, Facet | null>;
  pars_residual_mm: Record<Relation, number | null> & { interval95: Record<Relation, Ends> };
  spinous_base: { undercut_frac: number | null; bridge_mm: number | null; undercut_interval95: Ends; bridge_interval95: Ends };
  contralateral_reach: Reach | null;
  ipsilateral_reach: Reach | null;
  decompression: {
    canal_area_mm2: { before: number | null; after: number | null; interval95: { before: Ends; after: Ends } };
    coverage_frac: Record<Relation, number | null>;
  };
  skin_entry: SkinEntry;
  verdicts: Verdict[];
  chances: Partial<Chances> | null; // empty, or not told, without samples
  samples: number;
  warnings: string[];
  sources: Record<string, string>;
  caution: string;
}

export interface Removed {
  bone_removed_mm3: { total: number; interval95: Ends; by_structure: Record<string, number> };
  removed_frac: Record<string, number | null>;
}

export interface Facet {
  area_frac: number | null;
  width_frac: number | null;
  volume_frac: number | null;
  interval95: Ends;
  width_interval95: Ends;
  volume_interval95: Ends;
}

export interface Reach {
  lateral_mm: number;
  targets: Record<string, number | null>;
  clearance_mm: number | null;
  limited_by: string;
  next_ras_mm: Vec3 | null;
  interval95: Ends;
}

export interface SkinEntry {
  lateral_mm: number; // of the midline, toward the side of the approach
  cranial_mm: number; // of the upper lamina's lower edge
  depth_mm: number;
  at: string; // "skin", or "pivot" where no skin is in view
}

export interface Verdict {
  name: string;
  value: number | null;
  limit: number;
  unit: string;
  met: boolean | null;
  within_error?: boolean;
  chance?: number | null;
  source: string;
  evidence: string;
}

export interface Chances {
  limits: Record<string, number | null>;
  targets: Record<string, number | null>;
  wanted: string[];
  enough_frac: number;
  all_limits: number | null;
  all_targets: number | null;
  all: number | null;
}

export interface EstimateAnswer {
  estimate: Estimate;
  // what stops the next millimetre of reach on the far side: where, which structure, in words; null when nothing does
  blocker: { point_mm: Vec3; target_mm: Vec3; phase: number; cause: string; structure: string; words: string } | null;
  took_s: number; // of the estimator itself
}

// Pixels are square; `level_to_pixel` is the 3x4 matrix (row-major) that takes level mm to homogeneous column and row,
// whole numbers being the centres of pixels.
export interface Radiograph {
  name: string; // "AP" or "lateral"
  made_from: string; // what it was computed from, in words
  png: string;
  width: number;
  height: number;
  level_to_pixel: number[];
  left_word: string;
  right_word: string;
  up_word: string;
  down_word: string;
  marks: RadiographMark[];
}

// What is drawn of the plan, in pixels; `phase` is its place in the plan, -1 for what belongs to none.
export interface RadiographMark {
  name: string;
  kind: "point" | "line" | "outline";
  phase: number;
  pixels: [number, number][];
}

// What a step says. Until a step's question is marked, whatever would answer it reads "(a question asks this)".
export interface StepWords {
  aim: string; // what to do
  look: string; // what to see at which clock position, filled in from the geometry
  remove: string;
  danger: string;
}

export interface LessonStep extends StepWords {
  title: string;
  camera: "scope" | "bench" | "axial" | "radiograph";
  phase: number; // of the plan, for the camera
  depth_mm: number; // of the scope's tip past the docking depth, for the camera
  question: string; // "" where none is asked
  choices: string[];
  left_out: string; // why a question of the lesson cannot be asked of this case and plan; "" else
}

export interface LessonAnswer {
  name: string;
  title: string;
  intro: string;
  blind: boolean;
  steps: LessonStep[];
}

export interface MarkAnswer {
  right: boolean;
  correct: string;
  because: string;
  told: StepWords; // the step's words with nothing held back
}

export interface JudgeAnswer {
  verdicts: { name: string; words: string; met: boolean | null }[];
  missed: string[]; // sentences: limits broken, targets not reached
  numbers: { name: string; yours: string; good: string; difference: string }[];
  good: { name: string; plan: Plan } | null; // a plan to hold it against
  words: string; // the judgement in a sentence or two
}
