// Dragging the docking point over bone and the skin entry over skin. The plan follows at once as it is; on
// release the server lays it out on the anatomy.

import type { Anatomy, SurfaceMesh } from "../solids/surface_meshes";
import type { SightLine } from "./scene_view";
import type { Context } from "../session/context";
import { entryPoint, throughPoint } from "../solids/entry_point";
import { add, scaled, sub, unit } from "../model/channel_geometry";
import type { DragHandler } from "../dom/gestures";
import { firstHit, type RayHit } from "../solids/ray_picking";
import type { Store } from "../model/store";
import type { ServerRequest } from "../protocol/messages";
import type { Plan, Side, Vec3 } from "../protocol/plan";

/** What a drag needs of the page. */
export interface DragContext {
  readonly store: Pick<Store, "state" | "move" | "set" | "settle">;
  ask: Context["ask"];
}

export function dockDrag(context: DragContext, anatomy: Anatomy, sight: SightLine): DragHandler {
  const { store } = context;
  const bone = anatomy.surfaces["bone_proxy"] ?? anatomy.surfaces["bone"];
  const start = store.state.plan;
  let at: Vec3 | null = null;
  let refused = false;
  return {
    move(x, y) {
      const { from, direction } = sight(x, y);
      const [, depth_mm] = start.docking_point_mm;
      const met = bone ? firstHit(bone, from, direction) : null;
      refused = bone !== undefined && met !== null && partOf(anatomy, bone, met).endsWith(SPINOUS_PROCESS);
      // the mark waits beside it for the pointer to come off
      if (refused) return;
      const hit = met && depth_mm - met.point[1] < BEHIND_MM ? met.point : onPlane(from, direction, depth_mm);
      if (!hit) return;
      at = hit;
      store.move({ ...start, docking_point_mm: hit });
    },
    end(kept) {
      // said only now: a notice that opens while the pointer moves would shift the picture under it
      if (refused || store.state.problem === NO_REST) store.set({ problem: refused ? NO_REST : "" });
      void placed(context, start, kept && at ? { ask: "dock", plan: start, point_mm: at } : null);
    },
  };
}

/** Bone that carries no sleeve, by the end of its name; and what is said to a pointer over it. */
const SPINOUS_PROCESS = "spinous process";
const NO_REST = "No sleeve comes to rest on a spinous process. Dock beside it: on lamina, facet joint or window.";

const partOf = (anatomy: Anatomy, surface: SurfaceMesh, hit: RayHit): string =>
  anatomy.parts[surface.part?.[surface.triangles[hit.corner]!] ?? -1] ?? "";

/** Bone met this far ventral of where a drag began lies behind the window: the pointer is over the window itself then. */
const BEHIND_MM = 15;

export function entryDrag(context: DragContext, anatomy: Anatomy, sight: SightLine): DragHandler {
  const { store } = context;
  const skin = anatomy.surfaces["skin"];
  const start = store.state.plan;
  const height_mm = entryPoint(start, anatomy)[1];
  let at: Vec3 | null = null;
  return {
    move(x, y) {
      const { from, direction } = sight(x, y);
      const hit = (skin ? firstHit(skin, from, direction)?.point : null) ?? onPlane(from, direction, height_mm);
      if (!hit || hit[1] - start.docking_point_mm[1] < LEAST_RISE_MM) return;
      at = hit;
      store.move(leaningTo(start, hit));
    },
    end: (kept) =>
      void placed(
        context,
        start,
        kept && at ? { ask: "enter", plan: start, ...entryTerms(at, start.side, anatomy) } : null,
      ),
  };
}

/** An entry this little dorsal of the docking point is a slip. */
const LEAST_RISE_MM = 10;

/** Ends a drag: the plan that the server lays out, or the one before where it is refused or was let go. */
async function placed(
  context: DragContext,
  start: Plan,
  question: Extract<ServerRequest, { ask: "dock" | "enter" }> | null,
): Promise<void> {
  const { store } = context;
  const shown = store.state.plan;
  const answered = question && (await context.ask(question, { lane: "drag" }));
  // the plan may have been moved otherwise meanwhile: that stands
  if (store.state.plan !== shown) return;
  store.move(answered ? answered.answer.plan : start);
  store.settle();
}

/** An entry as the estimate states it: from the midline toward the side, and from the upper lamina's caudal edge. */
function entryTerms(at: Vec3, side: Side, anatomy: Anatomy): { lateral_mm: number; cranial_mm: number } {
  const landmark = anatomy.landmarks[`upper_lamina_caudal_edge_${side}`];
  return { lateral_mm: side === "left" ? at[0] : -at[0], cranial_mm: at[2] - (landmark?.[2] ?? 0) };
}

/** Where a line of sight meets the coronal plane at a height. */
function onPlane(from: Vec3, direction: Vec3, height_mm: number): Vec3 | null {
  const distance = (height_mm - from[1]) / direction[1];
  return distance > 0 && Number.isFinite(distance) ? add(from, scaled(direction, distance)) : null;
}

/** The plan leant about its docking point so that its first axis comes from the entry; a picture until it is planned. */
function leaningTo(plan: Plan, entry: Vec3): Plan {
  const [x, y, z] = unit(sub(throughPoint(plan), entry));
  const across = plan.side === "right" ? 1 : -1;
  const medial = (Math.atan2(across * x, -y) * 180) / Math.PI;
  const cranial = (Math.asin(Math.min(Math.max(z, -1), 1)) * 180) / Math.PI;
  const [dm, dc] = [medial - plan.phases[0]!.medial_tilt_deg, cranial - plan.phases[0]!.cranial_tilt_deg];
  const phases = plan.phases.map((phase) => ({
    ...phase,
    medial_tilt_deg: held(phase.medial_tilt_deg + dm),
    cranial_tilt_deg: held(phase.cranial_tilt_deg + dc),
  }));
  return { ...plan, phases };
}

/** Within the tilts that a plan may have. */
const held = (tilt_deg: number): number => Math.min(Math.max(tilt_deg, -80), 80);
