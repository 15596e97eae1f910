// The part of the scan about a level: grey values, masks of bone, canal and sac, and the structure at a point.

import type { VoxelVolume } from "./reslice";
import type { Frame } from "../protocol/binary_frame";
import type { ScanHeader } from "../protocol/frame_headers";
import type { Vec3 } from "../protocol/plan";

export interface ScanVolume {
  level: string;
  grey: VoxelVolume<Int16Array>;
  /** A stored value times step plus zero is in the scan's own unit. */
  step: number;
  zero: number;
  outside: number;
  /** What outlines are drawn of, 255 where a voxel is of the kind. */
  outlined: Record<OutlinedStructure, VoxelVolume<Uint8Array>>;
  /** The structure's name and the grey value of the voxel at a point, level mm. */
  at(point: Vec3): { structure: string; grey: number };
}

export type OutlinedStructure = "bone" | "canal" | "sac";

/** Labels of one vertebra are 100 times its number and more; its disc is this much more (recon/labels.py). */
const [VERTEBRA, DISC] = [100, 50];

/** Labels of what fills the canal, and of the sac among them. */
const [CANAL_FIRST, CANAL_LAST, SAC] = [1, 5, 2];

const OF: Record<OutlinedStructure, (label: number) => boolean> = {
  bone: (label) => label >= VERTEBRA && label % VERTEBRA !== DISC,
  canal: (label) => label >= CANAL_FIRST && label <= CANAL_LAST,
  sac: (label) => label === SAC,
};

export function scanOf(frame: Frame<ScanHeader>): ScanVolume {
  const { header } = frame;
  const { shape, index_of_level, level, parts } = header;
  const labels = frame.array("labels", "uint16");
  const volume = <T extends ArrayLike<number>>(values: T): VoxelVolume<T> => ({ values, shape, index_of_level });
  const grey = volume(frame.array("grey", "int16"));
  const outlined = Object.fromEntries(
    Object.entries(OF).map(([name, isOf]) => [name, volume(masked(labels, isOf))]),
  ) as ScanVolume["outlined"];
  return {
    level,
    grey,
    step: header.grey_step,
    zero: header.grey_zero,
    outside: header.outside,
    outlined,
    at: (point) => ({
      structure: parts[String(nearest(volume(labels), point, 0))] ?? "",
      grey:
        nearest(grey, point, (header.outside - header.grey_zero) / header.grey_step) * header.grey_step +
        header.grey_zero,
    }),
  };
}

function masked(labels: Uint16Array, isOf: (label: number) => boolean): Uint8Array {
  const table = Uint8Array.from({ length: 1 << 16 }, (_, label) => (isOf(label) ? 255 : 0));
  const out = new Uint8Array(labels.length);
  for (let i = 0; i < labels.length; i++) out[i] = table[labels[i]!]!;
  return out;
}

function nearest({ values, shape, index_of_level: m }: VoxelVolume, p: Vec3, outside: number): number {
  const along = (r: number) => Math.round(m[r]! * p[0] + m[r + 1]! * p[1] + m[r + 2]! * p[2] + m[r + 3]!);
  const [i, j, k] = [along(0), along(4), along(8)];
  const inside = i >= 0 && j >= 0 && k >= 0 && i < shape[0] && j < shape[1] && k < shape[2];
  return inside ? values[i + shape[0] * (j + shape[1] * k)]! : outside;
}
