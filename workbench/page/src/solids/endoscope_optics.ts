// The endoscope's lens: where it is, where it looks, and what lies along each line of sight.

import type { Anatomy, SurfaceMesh } from "./surface_meshes";
import type { RemovalVolumes } from "../protocol/frame_headers";
import { BELOW_MM } from "./bone_material";
import { TRIMMED } from "./cut_face";
import { add, scaled, unit, viewAxes, type PlacedPhase } from "../model/channel_geometry";
import { SEEN_IN_SCOPE } from "../pictures/palette";
import { firstHit, nearestPoint, type RayHit } from "./ray_picking";
import type { Plan, Vec3 } from "../protocol/plan";

const RAD = Math.PI / 180;

export interface EndoscopeLens {
  tip: Vec3;
  forward: Vec3;
  up: Vec3;
  right: Vec3;
  /** Of the channel, which the lens may look away from. */
  axis: Vec3;
  view_deg: number;
}

export interface LensSettings {
  phase: number;
  scope_past_mm: number;
  scope_view_deg: number;
  scope_turn_deg: number;
}

/**
 * The lens's angle tips the view from the axis toward 12 o'clock; turning the endoscope carries that tip round the
 * clock, while the camera's up stays across the patient.
 */
export function lensOf(plan: Plan, phases: PlacedPhase[], looks: LensSettings): EndoscopeLens | null {
  const phase = phases[looks.phase] ?? phases[0];
  if (!phase) return null;
  const depth = Math.min(plan.pivot_distance_mm + looks.scope_past_mm, plan.channel.working_length_mm);
  const { up, right } = viewAxes(plan.side, phase.axis);
  const [turn, tip] = [looks.scope_turn_deg * RAD, plan.channel.lens_angle_deg * RAD];
  const aside = add(scaled(up, Math.cos(turn)), scaled(right, Math.sin(turn)));
  const forward = unit(add(scaled(phase.axis, Math.cos(tip)), scaled(aside, Math.sin(tip))));
  const seen = viewAxes(plan.side, forward);
  return {
    tip: add(phase.pivot, scaled(phase.axis, depth)),
    forward,
    ...seen,
    axis: phase.axis,
    view_deg: looks.scope_view_deg,
  };
}

/** The line of sight at a clock position; 0 is the middle of the round picture, 1 its rim. */
export function sightOf(lens: EndoscopeLens, hour: number, radius_frac: number): Vec3 {
  const reach = radius_frac * Math.tan((lens.view_deg / 2) * RAD);
  const turn = hour * 30 * RAD;
  const aside = add(scaled(lens.up, Math.cos(turn)), scaled(lens.right, Math.sin(turn)));
  return unit(add(lens.forward, scaled(aside, reach)));
}

export interface SeenStructure {
  name: string;
  hit: RayHit;
}

/** What the bone's shader leaves out of the picture, read from the same volume. */
export const goneIn = (removal: RemovalVolumes): ((point: Vec3) => boolean) => above(removal, removal.task, 127);

/** Where bone stood before. */
export const boneIn = (removal: RemovalVolumes): ((point: Vec3) => boolean) =>
  above(removal, removal.bone, 255 * TRIMMED);

function above(removal: RemovalVolumes, values: Uint8Array, least: number): (point: Vec3) => boolean {
  const { shape, index_of_level: m } = removal.header;
  return (p) => {
    const [i, j, k] = [0, 4, 8].map((r) => Math.round(m[r]! * p[0] + m[r + 1]! * p[1] + m[r + 2]! * p[2] + m[r + 3]!));
    const inside = i! >= 0 && j! >= 0 && k! >= 0 && i! < shape[0] && j! < shape[1] && k! < shape[2];
    return inside && values[i! + shape[0] * (j! + shape[1] * k!)]! > least;
  };
}

/** What the picture leaves out: bone that goes, with the face of what is left, and ligament that goes with it. */
export interface RemovedStructures {
  bone(point: Vec3): boolean;
  face: SurfaceMesh;
  /** Was there bone, so that the face of a cut is drawn there? */
  stands(point: Vec3): boolean;
  ligament(point: Vec3): boolean;
}

/** What is seen along a line of sight: bone by the name of its part, soft structures by their own. */
export function seenAlong(
  anatomy: Anatomy,
  from: Vec3,
  direction: Vec3,
  gone: RemovedStructures | null,
): SeenStructure | null {
  const seen: SeenStructure[] = [];
  const found = (name: string, hit: RayHit | null) => hit && seen.push({ name, hit });
  const bone = anatomy.surfaces["bone"] ?? anatomy.surfaces["bone_proxy"];
  const below = scaled(direction, BELOW_MM);
  const outside = bone && firstHit(bone, from, direction, { there: (point) => !gone?.bone(add(point, below)) });
  if (bone && outside) found(partOf(anatomy, bone, bone.triangles[outside.corner]!), outside);
  const cut = bone && gone && firstHit(gone.face, from, direction, { there: (point) => gone.stands(point) });
  if (bone && cut) found(partOf(anatomy, bone, nearestPoint(bone, cut.point)), cut);
  for (const name of SEEN_IN_SCOPE) {
    const surface = anatomy.surfaces[name];
    const there = (point: Vec3) => name !== "flavum" || !gone?.ligament(point);
    if (surface) found(name, firstHit(surface, from, direction, { there, inside: true }));
  }
  return seen.sort((a, b) => a.hit.distance_mm - b.hit.distance_mm)[0] ?? null;
}

const partOf = (anatomy: Anatomy, bone: SurfaceMesh, point: number): string =>
  anatomy.parts[bone.part?.[point] ?? -1] ?? "bone";
