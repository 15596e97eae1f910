// A plan of three phases, where the usual one has two, in what the page keeps and draws of it.

import assert from "node:assert/strict";
import { test } from "node:test";
import { placedPhases } from "../src/model/channel_geometry";
import { farPhase, shifted, shiftOf, tilted } from "../src/model/plan_edit";
import { same, Store } from "../src/model/store";
import { plan } from "../src/protocol/plan";
import type { Phase, Plan } from "../src/protocol/plan";
import { PLAN, STATE } from "./samples";

const FURTHER: Phase = { ...PLAN.phases[1]!, name: "far foramen", medial_tilt_deg: 30, pivot_shift_mm: [2, 0, 3] };
const THREE: Plan = { ...PLAN, phases: [...PLAN.phases, FURTHER] };

test("it is a plan by its shape, and each phase is placed", () => {
  assert.equal(plan(JSON.parse(JSON.stringify(THREE)), ""), "");
  const placed = placedPhases(THREE);
  assert.equal(placed.length, 3);
  assert.deepEqual(placed.slice(0, 2), placedPhases(PLAN));
});

test("the tilt over the top is that of the phase named so, and the last one's where none is", () => {
  assert.equal(farPhase(THREE), 1);
  assert.equal(farPhase({ ...THREE, phases: [PLAN.phases[0]!, FURTHER] }), 1);
});

test("its third phase is edited alone, and undone", () => {
  const store = new Store({ ...STATE, plan: THREE });
  store.move(tilted(store.state.plan, 2, { medial_tilt_deg: 33 }));
  store.settle();
  assert.deepEqual(
    store.state.plan.phases.map(({ medial_tilt_deg }) => medial_tilt_deg),
    [-5, 24, 33],
  );
  assert.equal(shiftOf(shifted(store.state.plan, 2, 5), 2), 5);
  store.undo();
  assert.ok(same(store.state.plan, THREE));
});
