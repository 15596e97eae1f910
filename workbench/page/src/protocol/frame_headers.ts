// Headers of the binary frames: a level's surfaces, its part of the scan, the bone that a plan removes.

import { plan, RELATIONS, vec3 } from "./plan";
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

/** Where an array lies in its frame: `offset` counts bytes from the end of the header. */
export const arrayPlace = object({
  dtype: oneOf("float32", "uint32", "uint16", "int16", "uint8"),
  shape: list(numeric),
  offset: numeric,
});
export type ArrayPlace = TypeOf<typeof arrayPlace>;

export const frameHeader = object({ schema: text, level: text, arrays: dictionary(arrayPlace) });
export type FrameHeader = TypeOf<typeof frameHeader>;

/** A volume: flat runs of `shape`, first index fastest, and the 4x4 matrix (row-major) from level mm to a voxel's index. */
const volume = object({ shape: vec3, index_of_level: list(numeric) });

/**
 * GET levels/LEVEL/scene.bin: triangle meshes; arrays "NAME.points" (N,3) float32, "NAME.triangles" (M,3) uint32 and,
 * for bone meshes, "NAME.part" (N) uint8, an index into `parts`.
 */
export const sceneHeader = both(
  frameHeader,
  object({
    /** "bone", "bone_proxy", "canal", "sac", "flavum", "disc", "joint_left", "joint_right", "skin", as far as in view. */
    meshes: list(text),
    /** Such as "L3 lamina left". */
    parts: list(text),
    /** Such as "left lateral recess". */
    targets: dictionary(list(vec3)),
    landmarks: dictionary(vec3),
    /** Where the sac comes from: "measured", "given", "modelled", ... */
    sac: text,
    /** Points may be packed into 16 bits: packed * scale + offset is level mm. */
    packed: optional(dictionary(object({ scale: numeric, offset: vec3 }))),
  }),
);
export type SceneHeader = TypeOf<typeof sceneHeader>;

/**
 * GET levels/LEVEL/scan.bin: "grey" int16 and "labels" uint16; `parts` names labels. A value of the scan is
 * grey * grey_step + grey_zero: 1 and 0 but for scans of broken numbers.
 */
export const scanHeader = both(
  both(frameHeader, volume),
  object({
    /** The scan's value beyond it. */
    outside: numeric,
    grey_step: numeric,
    grey_zero: numeric,
    /** Kept smaller than wished for, to stay within what a page can hold. */
    cut_short: flag,
    parts: dictionary(text),
  }),
);
export type ScanHeader = TypeOf<typeof scanHeader>;

/**
 * GET levels/LEVEL/audit.bin: "after" int16 HU, "taken" and, where there was a plan, "planned" uint8, 255ths of a voxel;
 * `volumes` says where each lies, and `middle_mm` where the middle of what was taken is, level mm.
 */
export const auditHeader = both(
  frameHeader,
  object({ volumes: dictionary(volume), outside: numeric, middle_mm: vec3 }),
);
export type AuditHeader = TypeOf<typeof auditHeader>;

/** The resection as the steps of an operation, and running numbers at instants counted in steps done. */
const course = object({
  steps: list(text),
  instants: list(numeric),
  bone_mm3: list(numeric),
  area_gained_mm2: list(numeric),
  facet_kept_frac: record(RELATIONS, nullable(list(numeric))),
});
export type Course = TypeOf<typeof course>;

/**
 * A removal as a volume, beside its answer: "task" and "cone" uint8, 255 = all of the voxel's bone goes, and "bone"
 * uint8, the share of each voxel that is bone. Nothing goes beyond it; `shape` is 0, 0, 0 where nothing goes at all.
 * Where it is known what is freed, of the resection: "taken" uint8, 127.5 on the face of the cut and more within, and
 * "when" uint8, when a voxel goes, WHEN_UNITS a step; `course` tells the steps.
 */
export const removalHeader = both(both(frameHeader, volume), object({ course: optional(course) }));
export type RemovalHeader = TypeOf<typeof removalHeader>;

/** The bone that a plan removes, as read from its frame. */
export interface RemovalVolumes {
  header: RemovalHeader;
  /** What the pictures leave out: the resection as far as it has been played, or the task's bone where there is none. */
  task: Uint8Array;
  cone: Uint8Array;
  bone: Uint8Array;
  resection: { taken: Uint8Array; when: Uint8Array; course: Course } | null;
  /** Steps done. */
  instant: number;
}

/** The one frame of the report's viewer: a scene with its plan, and "removal.task" and so on where bone goes. */
export const viewerHeader = both(
  sceneHeader,
  object({ plan, removal: nullable(both(volume, object({ course: optional(course) }))) }),
);
export type ViewerHeader = TypeOf<typeof viewerHeader>;
