// Distances and angles by pointing, and a plan that suggests nothing.

import assert from "node:assert/strict";
import { test } from "node:test";
import { isComplete, measuredWords, withPoint, type Measurement } from "../src/model/measuring";
import { neutral } from "../src/model/plan_edit";
import { PLAN } from "./samples";

test("two points tell a distance, three an angle, one more begins anew", () => {
  let distance: Measurement = { kind: "distance", points: [] };
  assert.equal(measuredWords(distance), "distance: click point 1 of 2");
  distance = withPoint(withPoint(distance, [0, 0, 0]), [3, 4, 0]);
  assert.ok(isComplete(distance));
  assert.equal(measuredWords(distance), "distance 5.0 mm");
  assert.deepEqual(withPoint(distance, [1, 1, 1]).points, [[1, 1, 1]]);
  const angle: Measurement = {
    kind: "angle",
    points: [
      [0, 9, 0],
      [0, 0, 0],
      [0, 2, 2],
    ],
  };
  assert.equal(measuredWords(angle), "angle 45.0\u00b0");
});

test("a neutral plan is straight ventral from one pivot, and otherwise the same", () => {
  const plan = neutral(PLAN);
  for (const phase of plan.phases) {
    assert.deepEqual([phase.medial_tilt_deg, phase.cranial_tilt_deg, phase.pivot_shift_mm], [0, 0, [0, 0, 0]]);
  }
  assert.deepEqual({ ...plan, phases: [] }, { ...PLAN, phases: [] });
});
