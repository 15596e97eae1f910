import assert from "node:assert/strict";
import { test } from "node:test";

import type { Anatomy } from "../src/solids/surface_meshes";
import type { Plan, Vec3 } from "../src/protocol/plan";
import { dockDrag } from "../src/views/drag_handles";
import type { State } from "../src/model/store";
import { PLAN, STATE } from "./samples";

/** A square of bone facing dorsal, 10 mm a side, at a height, with a part of its own. */
function square(x: number, height_mm: number): number[] {
  return [x - 5, height_mm, -5, x - 5, height_mm, 5, x + 5, height_mm, 5, x + 5, height_mm, -5];
}

const points = Float32Array.from([...square(-10, 0), ...square(10, 30)]);
const triangles = Uint32Array.from([0, 1, 2, 0, 2, 3, 4, 5, 6, 4, 6, 7]);
const bone = { points, triangles, facing: new Int8Array(32), part: Uint8Array.from([0, 0, 0, 0, 1, 1, 1, 1]) };
const anatomy = {
  level: PLAN.level,
  surfaces: { bone },
  parts: ["L3 lamina, left", "L3 spinous process"],
  targets: {},
  landmarks: {},
  sac: "",
} satisfies Anatomy;

function dragged(...places: number[]) {
  const start: Plan = { ...PLAN, docking_point_mm: [-8, 0, 0] };
  const state: State = { ...STATE, plan: start };
  const requests: unknown[] = [];
  const store = {
    state,
    move: (moved: Plan) => void (state.plan = moved),
    set: (change: Partial<State>) => void Object.assign(state, change),
    settle: () => undefined,
  };
  const ask = (question: unknown) => {
    requests.push(question);
    return Promise.resolve(null);
  };
  const sight = (x: number, y: number) => ({ from: [x, 100, y] as Vec3, direction: [0, -1, 0] as Vec3 });
  const drag = dockDrag({ store, ask }, anatomy, sight);
  for (const x of places) drag.move(x, 0);
  const shown = state.plan.docking_point_mm;
  drag.end(true);
  return { shown, problem: state.problem, requests };
}

test("a docking point is dragged over bone", () => {
  const { shown, problem, requests } = dragged(-9, -11);
  assert.deepEqual(shown, [-11, 0, 0]);
  assert.equal(problem, "");
  assert.equal(requests.length, 1);
});

test("over a spinous process it stays where it was, and that is said", () => {
  const { shown, problem } = dragged(-11, 10);
  assert.deepEqual(shown, [-11, 0, 0]);
  assert.match(problem, /spinous process/);
});

test("a drag over the spinous process alone moves nothing", () => {
  const { shown, requests } = dragged(10, 11);
  assert.deepEqual(shown, [-8, 0, 0]);
  assert.equal(requests.length, 0);
});
