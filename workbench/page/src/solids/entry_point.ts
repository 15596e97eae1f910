// The skin entry of a plan on the level's skin mesh, for its mark on the picture.

import type { Anatomy } from "./surface_meshes";
import { add, axisOf, scaled } from "../model/channel_geometry";
import { firstHit } from "./ray_picking";
import type { Plan, Vec3 } from "../protocol/plan";

/** The first phase's axis, from the pivot inward. */
function firstAxis(plan: Plan): Vec3 {
  const first = plan.phases[0];
  return first ? axisOf(plan.side, first.medial_tilt_deg, first.cranial_tilt_deg) : [0, -1, 0];
}

/** Where the first phase's axis passes the docking depth: a shifted pivot shifts the whole axis. */
export function throughPoint(plan: Plan): Vec3 {
  return add(plan.docking_point_mm, plan.phases[0]?.pivot_shift_mm ?? [0, 0, 0]);
}

/** Where the first phase's axis passes the skin; the pivot where no skin is in view. */
export function entryPoint(plan: Plan, anatomy: Anatomy | null): Vec3 {
  const out = scaled(firstAxis(plan), -1);
  const skin = anatomy?.surfaces["skin"];
  const start = throughPoint(plan);
  const hit = skin ? firstHit(skin, start, out, { inside: true }) : null;
  return hit ? hit.point : add(start, scaled(out, plan.pivot_distance_mm));
}
