// Vectors, and where the channel lies: pivots, axes, cones. The same formulas as estimator/approach/approach.py, for drawing only;
// numbers for people come from the server.

import type { Phase, Plan, Side, Vec3 } from "../protocol/plan";

const RAD = Math.PI / 180;

export const add = (a: Vec3, b: Vec3): Vec3 => [a[0] + b[0], a[1] + b[1], a[2] + b[2]];
export const sub = (a: Vec3, b: Vec3): Vec3 => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
export const scaled = (a: Vec3, by: number): Vec3 => [a[0] * by, a[1] * by, a[2] * by];
export const dot = (a: Vec3, b: Vec3): number => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
export const cross = (a: Vec3, b: Vec3): Vec3 => [
  a[1] * b[2] - a[2] * b[1],
  a[2] * b[0] - a[0] * b[2],
  a[0] * b[1] - a[1] * b[0],
];
export const lengthOf = (a: Vec3): number => Math.hypot(a[0], a[1], a[2]);
export const unit = (a: Vec3): Vec3 => scaled(a, 1 / lengthOf(a));

/** Unit direction pivot -> tip: 0, 0 is straight ventral; medial swings to the other side, cranial lifts. */
export function axisOf(side: Side, medial_deg: number, cranial_deg: number): Vec3 {
  const across = side === "right" ? 1 : -1;
  const [m, c] = [medial_deg * RAD, cranial_deg * RAD];
  return [across * Math.sin(m) * Math.cos(c), -Math.cos(m) * Math.cos(c), Math.sin(c)];
}

/** One phase placed in the level frame. Depths are lengths from the pivot to the last sphere's centre. */
export interface PlacedPhase {
  name: string;
  pivot: Vec3;
  axis: Vec3;
  sweep_deg: number;
  sleeve_radius_mm: number;
  sleeve_depth_mm: number;
  tool_radius_mm: number;
  tip_depth_mm: number;
}

export function placedPhases(plan: Plan): PlacedPhase[] {
  const first = plan.phases[0];
  if (!first) return [];
  const axis = axisOf(plan.side, first.medial_tilt_deg, first.cranial_tilt_deg);
  const pivot = sub(plan.docking_point_mm, scaled(axis, plan.pivot_distance_mm));
  return plan.phases.map((phase) => placed(plan, phase, pivot));
}

function placed(plan: Plan, phase: Phase, pivot: Vec3): PlacedPhase {
  const { channel } = plan;
  const [sleeveRadius, toolRadius] = [channel.sleeve_diameter_mm / 2, channel.tool_diameter_mm / 2];
  const within = (past_mm: number) => Math.min(plan.pivot_distance_mm + past_mm, channel.working_length_mm);
  return {
    name: phase.name,
    pivot: add(pivot, phase.pivot_shift_mm),
    axis: axisOf(plan.side, phase.medial_tilt_deg, phase.cranial_tilt_deg),
    sweep_deg: phase.sweep_half_angle_deg,
    sleeve_radius_mm: sleeveRadius,
    sleeve_depth_mm: Math.max(within(phase.sleeve_past_lamina_mm) - sleeveRadius, 0),
    tool_radius_mm: toolRadius,
    tip_depth_mm: Math.max(within(phase.tip_past_lamina_mm) - toolRadius, 0),
  };
}

/** The view down the channel as the surgeon holds it: up, 12 o'clock, is across the patient, away from the surgeon. */
export function viewAxes(side: Side, forward: Vec3): { up: Vec3; right: Vec3 } {
  const across: Vec3 = [side === "right" ? 1 : -1, 0, 0];
  const up = unit(sub(across, scaled(forward, dot(across, forward))));
  return { up, right: cross(forward, up) };
}

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
