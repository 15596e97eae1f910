// Where the endoscope's lens is and looks, and what lies at each clock position of its picture.

import type { Anatomy, Surface } from "./anatomy";
import type { RemovalVolumes } from "./bench_scene";
import { BELOW_MM } from "./bone_material";
import { add, cross, scaled, unit, viewAxes, type PlacedPhase } from "./geometry";
import { SEEN_IN_SCOPE } from "./palette";
import { firstHit, nearestPoint, type Hit } from "./picking";
import type { Plan, Vec3 } from "./protocol";

const RAD = Math.PI / 180;

export interface Lens {
  tip: Vec3;
  forward: Vec3;
  up: Vec3;
  right: Vec3;
  /** Of the channel, which the lens may look away from. */
  axis: Vec3;
  view_deg: number;
}

export interface LensLooks {
  phase: number;
  scope_past_mm: number;
  scope_view_deg: number;
  scope_turn_deg: number;
}

/**
 * The lens's angle tips the view from the axis toward 12 o'clock; turning the endoscope carries that tip round the
 * clock, while the camera's up stays across the patient.
 */
export function lensOf(plan: Plan, phases: PlacedPhase[], looks: LensLooks): Lens | null {
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
export function sightOf(lens: Lens, hour: number, radius_frac: number): Vec3 {
  const reach = radius_frac * Math.tan((lens.view_deg / 2) * RAD);
  const turn = hour * 30 * RAD;
  const aside = add(scaled(lens.up, Math.cos(turn)), scaled(lens.right, Math.sin(turn)));
  return unit(add(lens.forward, scaled(aside, reach)));
}

export interface Seen {
  name: string;
  hit: Hit;
}

/** What the bone's shader leaves out of the picture, asked of the same volume. */
export function goneIn(removal: RemovalVolumes): (point: Vec3) => boolean {
  const { shape, index_of_level: m } = removal.header;
  return (p) => {
    const [i, j, k] = [0, 4, 8].map((r) => Math.round(m[r]! * p[0] + m[r + 1]! * p[1] + m[r + 2]! * p[2] + m[r + 3]!));
    const inside = i! >= 0 && j! >= 0 && k! >= 0 && i! < shape[0] && j! < shape[1] && k! < shape[2];
    return inside && removal.task[i! + shape[0] * (j! + shape[1] * k!)]! > 127;
  };
}

/** What the picture leaves out: bone that goes, with the face of what is left, and ligament that goes with it. */
export interface Gone {
  bone(point: Vec3): boolean;
  face: Surface;
  ligament(point: Vec3): boolean;
}

/** What is seen along a line of sight: bone by the name of its part, soft structures by their own. */
export function seenAlong(anatomy: Anatomy, from: Vec3, way: Vec3, gone: Gone | null): Seen | null {
  const seen: Seen[] = [];
  const found = (name: string, hit: Hit | null) => hit && seen.push({ name, hit });
  const bone = anatomy.surfaces["bone"] ?? anatomy.surfaces["bone_proxy"];
  const below = scaled(way, BELOW_MM);
  const outside = bone && firstHit(bone, from, way, { there: (point) => !gone?.bone(add(point, below)) });
  if (bone && outside) found(partOf(anatomy, bone, bone.triangles[outside.corner]!), outside);
  const cut = bone && gone && firstHit(gone.face, from, way);
  if (bone && cut) found(partOf(anatomy, bone, nearestPoint(bone, cut.point)), cut);
  for (const name of SEEN_IN_SCOPE) {
    const surface = anatomy.surfaces[name];
    const there = (point: Vec3) => name !== "flavum" || !gone?.ligament(point);
    if (surface) found(name, firstHit(surface, from, way, { there, inside: true }));
  }
  return seen.sort((a, b) => a.hit.distance_mm - b.hit.distance_mm)[0] ?? null;
}

const partOf = (anatomy: Anatomy, bone: Surface, point: number): string =>
  anatomy.parts[bone.part?.[point] ?? -1] ?? "bone";

/** Signed distance to the solid cone grown by a radius; as estimator/geometry/cone_formulas.py, and as the bone's shader. */
export function coneDistance(p: Vec3, phase: PlacedPhase, length_mm: number, radius_mm: number): number {
  const d: Vec3 = [p[0] - phase.pivot[0], p[1] - phase.pivot[1], p[2] - phase.pivot[2]];
  const t = d[0] * phase.axis[0] + d[1] * phase.axis[1] + d[2] * phase.axis[2];
  const across = cross(d, phase.axis);
  const rho = Math.hypot(...across);
  const base = length_mm * Math.tan(phase.sweep_deg * RAD);
  const along = Math.min(Math.max((t * length_mm + rho * base) / (length_mm ** 2 + base ** 2 || 1), 0), 1);
  const nearest = Math.min(
    Math.hypot(t - along * length_mm, rho - along * base),
    Math.hypot(t - length_mm, Math.max(rho - base, 0)),
  );
  const inside = t > 0 && t < length_mm && rho * length_mm < t * base;
  return (inside ? -nearest : nearest) - radius_mm;
}

export const inSweep = (phases: PlacedPhase[], p: Vec3): boolean =>
  phases.some(
    (phase) =>
      coneDistance(p, phase, phase.sleeve_depth_mm, phase.sleeve_radius_mm) < 0 ||
      coneDistance(p, phase, phase.tip_depth_mm, phase.tool_radius_mm) < 0,
  );
