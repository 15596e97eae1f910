// The plane of each slice. In theatre: as workbench/images/planes.py, the patient prone, axial seen from the feet; for
// reading: as radiologists hold it.

import type { SlicePlane } from "./reslice";
import { axisOf, placedPhases } from "../model/channel_geometry";
import type { Plan, Vec3 } from "../protocol/plan";

export type SliceKind = "axial" | "sagittal" | "coronal" | "channel";

export const KINDS: readonly SliceKind[] = ["axial", "sagittal", "coronal", "channel"];

export const CAPTIONS: Record<SliceKind, string> = {
  axial: "Axial",
  sagittal: "Sagittal",
  coronal: "Coronal",
  channel: "Along the channel",
};

/** Width and height of every slice, and how far dorsal of the level's origin they are centred, mm. */
export const [SPAN_MM, MIDDLE_MM] = [90, 12];

export interface SliceOrientation {
  plan: Plan;
  phase: number;
  turned: "theatre" | "reading";
}

/** The axis that a slice is moved along, by its place among left, dorsal, cranial. */
export const MOVED: Record<Exclude<SliceKind, "channel">, 0 | 1 | 2> = { axial: 2, sagittal: 0, coronal: 1 };

/** The slice through a point; that along the channel holds the phase's axis, moved `off_mm` across it. */
export function cutOf(kind: SliceKind, point: Vec3, turning: SliceOrientation, off_mm = 0): SlicePlane {
  const size = { width_mm: SPAN_MM, height_mm: SPAN_MM };
  const reading = turning.turned === "reading";
  const across: Vec3 = reading ? [1, 0, 0] : [-1, 0, 0];
  if (kind === "sagittal") return { ...size, centre: [point[0], MIDDLE_MM, 0], right: [0, 1, 0], up: [0, 0, 1] };
  if (kind === "coronal") return { ...size, centre: [0, point[1], 0], right: across, up: [0, 0, 1] };
  if (kind === "channel") return alongChannel(turning, off_mm);
  return { ...size, centre: [0, MIDDLE_MM, point[2]], right: across, up: [0, reading ? -1 : 1, 0] };
}

/** The axial slice tilted with a phase, so that its axis lies in it; it still holds the left-right axis. */
function alongChannel({ plan, phase, turned }: SliceOrientation, off_mm: number): SlicePlane {
  const placed = placedPhases(plan)[phase] ?? placedPhases(plan)[0];
  const axis = placed?.axis ?? axisOf(plan.side, 0, 0);
  const long = Math.hypot(axis[1], axis[2]);
  const out: Vec3 = [0, -axis[1] / long, -axis[2] / long]; // toward dorsal, in the slice
  const [, y, z] = placed?.pivot ?? [0, MIDDLE_MM, 0];
  const back = (y - MIDDLE_MM) / out[1];
  const normal: Vec3 = [0, -out[2], out[1]];
  const centre: Vec3 = [0, MIDDLE_MM + off_mm * normal[1], z - back * out[2] + off_mm * normal[2]];
  const reading = turned === "reading";
  const up = reading ? (out.map((each) => -each) as Vec3) : out;
  return { width_mm: SPAN_MM, height_mm: SPAN_MM, centre, right: [reading ? 1 : -1, 0, 0], up };
}
