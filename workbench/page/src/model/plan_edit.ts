// Single values of a plan changed: tilts, pivot shift, docking point, sizes. The plan itself is never altered in place.

import type { Channel, Phase, Plan, Vec3 } from "../protocol/plan";

const OVER_THE_TOP = "over the top";

/** The place of the phase that goes over the top: the one of that name, else the last. */
export function farPhase(plan: Plan): number {
  const place = plan.phases.findIndex((phase) => phase.name === OVER_THE_TOP);
  return place < 0 ? plan.phases.length - 1 : place;
}

export function tilted(plan: Plan, place: number, change: Partial<Phase>): Plan {
  return { ...plan, phases: plan.phases.map((phase, index) => (index === place ? { ...phase, ...change } : phase)) };
}

/** +1 where the plan's own side is the patient's left, along x; -1 where it is the right. */
export const towardSide = (plan: Plan): number => (plan.side === "left" ? 1 : -1);

/** How far a phase's pivot is moved away from the midline, toward the side of the approach. */
export const shiftOf = (plan: Plan, place: number): number =>
  towardSide(plan) * (plan.phases[place]?.pivot_shift_mm[0] ?? 0);

export function shifted(plan: Plan, place: number, lateral_mm: number): Plan {
  const [, y, z] = plan.phases[place]?.pivot_shift_mm ?? [0, 0, 0];
  return tilted(plan, place, { pivot_shift_mm: [towardSide(plan) * lateral_mm, y, z] });
}

/** The docking point as shown to people: lateral toward the side of the approach, dorsal, cranial. */
export function dockedAt(plan: Plan): Vec3 {
  const [x, y, z] = plan.docking_point_mm;
  return [towardSide(plan) * x, y, z];
}

export function docked(plan: Plan, axis: 0 | 1 | 2, value: number): Plan {
  const point: Vec3 = [...plan.docking_point_mm];
  point[axis] = axis === 0 ? towardSide(plan) * value : value;
  return { ...plan, docking_point_mm: point };
}

/** One size of the instrument changed; the others give way, since tool <= scope <= sleeve. */
export function sized(plan: Plan, change: Partial<Channel>): Plan {
  const channel = { ...plan.channel, ...change };
  const { sleeve_diameter_mm: sleeve, scope_diameter_mm: scope, tool_diameter_mm: tool } = channel;
  if (change.sleeve_diameter_mm !== undefined) {
    channel.scope_diameter_mm = Math.min(scope, sleeve);
    channel.tool_diameter_mm = Math.min(tool, sleeve);
  } else if (change.scope_diameter_mm !== undefined) {
    channel.sleeve_diameter_mm = Math.max(sleeve, scope);
    channel.tool_diameter_mm = Math.min(tool, scope);
  } else if (change.tool_diameter_mm !== undefined) {
    channel.scope_diameter_mm = Math.max(scope, tool);
    channel.sleeve_diameter_mm = Math.max(sleeve, tool);
  }
  return { ...plan, channel };
}

/** An instrument by its diameters in millimetres: sleeve, scope, tool. */
export const sizesOf = (channel: Channel): string =>
  [channel.sleeve_diameter_mm, channel.scope_diameter_mm, channel.tool_diameter_mm]
    .map((mm) => String(Math.round(mm * 10) / 10))
    .join(" / ");

/** A plan that suggests nothing: straight ventral, all phases from one pivot. */
export const neutral = (plan: Plan): Plan => ({
  ...plan,
  phases: plan.phases.map((phase) => ({
    ...phase,
    medial_tilt_deg: 0,
    cranial_tilt_deg: 0,
    pivot_shift_mm: [0, 0, 0],
  })),
});
