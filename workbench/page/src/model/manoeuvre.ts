// The manoeuvre in motion: what has gone after so many steps, and the running numbers, which the server worked out.

import type { Frame } from "../protocol/binary_frame";
import type { Course, FrameHeader, RemovalHeader, RemovalVolumes } from "../protocol/frame_headers";
import type { Plan, Relation } from "../protocol/plan";
import { farPhase } from "./plan_edit";

/** Units of the volume "when" that a step lasts. */
export const WHEN_UNITS = 50;

/** How sharply the front of a step in progress is drawn: units of depth for one of time (choice, for the eye). */
const FRONT = 16;

const FACE = 127.5;

/** The removal of a frame, as it is when all is done; `prefix` stands before the names of its arrays. */
export function removalOf(frame: Frame<FrameHeader>, header: RemovalHeader, prefix = ""): RemovalVolumes {
  const volume = (name: string) => frame.array(prefix + name, "uint8");
  const { course } = header;
  const resection =
    course && frame.has(`${prefix}taken`) ? { taken: volume("taken"), when: volume("when"), course } : null;
  return {
    header,
    task: resection?.taken ?? volume("task"),
    cone: volume("cone"),
    bone: volume("bone"),
    resection,
    instant: resection?.course.steps.length ?? 0,
  };
}

export const isWhole = ({ resection, instant }: RemovalVolumes): boolean =>
  !resection || instant >= resection.course.steps.length;

/** The removal as it is after so many steps. */
export function removalAt(removal: RemovalVolumes, instant: number): RemovalVolumes {
  const { resection } = removal;
  if (!resection) return removal;
  const at = Math.min(Math.max(instant, 0), resection.course.steps.length);
  const { taken, when } = resection;
  if (at === resection.course.steps.length) return { ...removal, task: taken, instant: at };
  const task = new Uint8Array(taken.length);
  const now = at * WHEN_UNITS;
  for (let i = 0; i < task.length; i++) task[i] = Math.max(Math.min(taken[i]!, FACE + FRONT * (now - when[i]!)), 0);
  return { ...removal, task, instant: at };
}

/** The step that is under way, by its place. */
export const stepAt = (course: Course, instant: number): number =>
  Math.min(Math.floor(instant), course.steps.length - 1);

/** The phase in which a step is done: the first on the approach's own side, the one over the top from the base on. */
export const phaseAt = (plan: Plan, step: number): number => (step === 0 ? 0 : farPhase(plan));

export interface RunningNumbers {
  bone_mm3: number;
  area_gained_mm2: number;
  facet_kept_frac: Record<Relation, number | null>;
}

/** The running numbers between the instants at which they were worked out. */
export function numbersAt(course: Course, instant: number): RunningNumbers {
  const last = course.instants.length - 1;
  const place = course.instants.findIndex((each) => each >= instant);
  const upper = place < 0 ? last : place;
  const lower = Math.max(upper - 1, 0);
  const [from, to] = [course.instants[lower]!, course.instants[upper]!];
  const part = to > from ? Math.min(Math.max((instant - from) / (to - from), 0), 1) : 1;
  const between = (values: readonly number[]) => values[lower]! + part * (values[upper]! - values[lower]!);
  const kept = (relation: Relation) => {
    const values = course.facet_kept_frac[relation];
    return values && between(values);
  };
  return {
    bone_mm3: between(course.bone_mm3),
    area_gained_mm2: between(course.area_gained_mm2),
    facet_kept_frac: { ipsilateral: kept("ipsilateral"), contralateral: kept("contralateral") },
  };
}
