import assert from "node:assert/strict";
import { test } from "node:test";
import {
  axisOf,
  coneDistance,
  cross,
  dot,
  inSweep,
  lengthOf,
  placedPhases,
  sub,
  viewAxes,
  type PlacedPhase,
} from "../src/model/channel_geometry";
import type { Vec3 } from "../src/protocol/plan";
import { PLAN } from "./samples";

const near = (found: number, wanted: number, tolerance = 1e-9) =>
  assert.ok(Math.abs(found - wanted) <= tolerance, `${found} is not ${wanted}`);

const nearAll = (found: Vec3, wanted: Vec3) => found.forEach((value, place) => near(value, wanted[place]!));

/** Numbers between 0 and 1, the same in every run (a linear congruential generator, Numerical Recipes' constants; MEM). */
function randomly(seed: number): () => number {
  let state = seed;
  return () => (state = (1664525 * state + 1013904223) % 2 ** 32) / 2 ** 32;
}

test("no tilt is straight ventral; a medial tilt swings the tip to the other side, a cranial one lifts it", () => {
  nearAll(axisOf("left", 0, 0), [0, -1, 0]);
  nearAll(axisOf("left", 30, 0), [-0.5, -Math.sqrt(3) / 2, 0]);
  nearAll(axisOf("right", 30, 0), [0.5, -Math.sqrt(3) / 2, 0]);
  nearAll(axisOf("left", 0, 90), [0, 0, 1]);
});

test("axes are of unit length, and mirror each other across the midline", () => {
  const random = randomly(1);
  for (let n = 0; n < 200; n++) {
    const [medial, cranial] = [160 * random() - 80, 160 * random() - 80];
    const [left, right] = [axisOf("left", medial, cranial), axisOf("right", medial, cranial)];
    near(lengthOf(left), 1);
    nearAll(right, [-left[0], left[1], left[2]]);
  }
});

test("the first axis runs from the pivot to the docking point; later pivots are shifted from the first", () => {
  const [first, second] = placedPhases(PLAN);
  assert.ok(first && second);
  const toward = sub(PLAN.docking_point_mm, first.pivot);
  near(lengthOf(toward), PLAN.pivot_distance_mm);
  near(dot(toward, first.axis), PLAN.pivot_distance_mm);
  nearAll(sub(second.pivot, first.pivot), [3, 0, 0]);
  near(first.tip_depth_mm, 50 + 12 - 2);
  near(second.sleeve_depth_mm, 50 + 6 - 5);
});

test("no part of the channel reaches further than its working length", () => {
  const short = { ...PLAN, channel: { ...PLAN.channel, working_length_mm: 55 } };
  for (const phase of placedPhases(short)) assert.ok(phase.tip_depth_mm + phase.tool_radius_mm <= 55);
});

test("looking down the channel, 12 o'clock is across the patient, away from the surgeon's side", () => {
  for (const side of ["left", "right"] as const) {
    const forward = axisOf(side, 20, 5);
    const { up, right } = viewAxes(side, forward);
    near(dot(up, forward), 0);
    nearAll(right, cross(forward, up));
    assert.ok(side === "left" ? up[0] < 0 : up[0] > 0);
  }
});

/** The distance to the solid cone by trying its points one by one: no formula in common with the code. */
function triedDistance(p: Vec3, phase: PlacedPhase, length_mm: number): number {
  const base = length_mm * Math.tan((phase.sweep_deg * Math.PI) / 180);
  const d = sub(p, phase.pivot);
  const t = dot(d, phase.axis);
  const rho = Math.hypot(...cross(d, phase.axis));
  let least = Infinity;
  for (let i = 0; i <= 400; i++) {
    for (let j = 0; j <= 60; j++) {
      const along = (i / 400) * length_mm;
      least = Math.min(least, Math.hypot(t - along, rho - (j / 60) * (along / length_mm) * base));
    }
  }
  return least;
}

test("outside the cone its distance is that to the nearest of its points, less the radius", () => {
  const random = randomly(2);
  const [phase] = placedPhases(PLAN);
  assert.ok(phase);
  let outside = 0;
  for (let n = 0; n < 200; n++) {
    const p: Vec3 = [80 * random() - 40, 120 * random() - 20, 80 * random() - 40];
    const wanted = triedDistance(p, phase, phase.tip_depth_mm);
    const found = coneDistance(p, phase, phase.tip_depth_mm, phase.tool_radius_mm);
    if (wanted < 0.2) continue;
    outside++;
    near(found, wanted - phase.tool_radius_mm, 0.1);
  }
  assert.ok(outside > 100);
});

test("the sweep holds the points on each axis as far as the tip, and none behind the pivot", () => {
  const phases = placedPhases(PLAN);
  for (const { pivot, axis, tip_depth_mm, tool_radius_mm } of phases) {
    const at = (t: number): Vec3 => [pivot[0] + t * axis[0], pivot[1] + t * axis[1], pivot[2] + t * axis[2]];
    assert.ok(inSweep(phases, at(1)));
    assert.ok(inSweep(phases, at(tip_depth_mm + 0.9 * tool_radius_mm)));
    assert.ok(!inSweep(phases, at(-20)));
  }
});
