// The steps in motion: what has gone at an instant, and the numbers that run with it.

import assert from "node:assert/strict";
import { test } from "node:test";

import { areaWords, outcomeOf, outcomeWords } from "../src/model/freed_words";
import { isWhole, numbersAt, phaseAt, removalAt, stepAt } from "../src/model/manoeuvre";
import { sizesOf } from "../src/model/plan_edit";
import type { Course, RemovalVolumes } from "../src/protocol/frame_headers";
import { PLAN } from "./samples";

const COURSE: Course = {
  steps: ["near laminotomy", "spinous base"],
  instants: [0, 1, 2],
  bone_mm3: [0, 100, 160],
  area_gained_mm2: [0, 0, 40],
  facet_kept_frac: { ipsilateral: [1, 0.8, 0.8], contralateral: null },
};

/** Three voxels: gone in the first step, gone late in the second, never gone. */
const REMOVAL: RemovalVolumes = {
  header: { schema: "", level: "L4-L5", arrays: {}, shape: [3, 1, 1], index_of_level: [], course: COURSE },
  task: Uint8Array.of(255, 255, 0),
  cone: new Uint8Array(3),
  bone: Uint8Array.of(255, 255, 255),
  resection: { taken: Uint8Array.of(255, 255, 0), when: Uint8Array.of(20, 95, 255), course: COURSE },
  instant: 2,
};

const gone = (removal: RemovalVolumes) => [...removal.task].map((value) => value > 127);

test("nothing has gone at first, all that is taken at the end, and never more", () => {
  assert.deepEqual(gone(removalAt(REMOVAL, 0)), [false, false, false]);
  assert.deepEqual(gone(removalAt(REMOVAL, 1)), [true, false, false]);
  assert.deepEqual(gone(removalAt(REMOVAL, 2)), [true, true, false]);
  assert.equal(removalAt(REMOVAL, 2).task, REMOVAL.resection?.taken);
});

test("later has never less gone than earlier", () => {
  let before = gone(removalAt(REMOVAL, 0));
  for (let instant = 0; instant <= 2; instant += 0.05) {
    const now = gone(removalAt(REMOVAL, instant));
    assert.ok(now.every((each, place) => each || !before[place]));
    before = now;
  }
});

test("an instant beyond the ends is the end", () => {
  assert.equal(removalAt(REMOVAL, -1).instant, 0);
  assert.ok(isWhole(removalAt(REMOVAL, 9)));
  assert.ok(!isWhole(removalAt(REMOVAL, 1.9)));
});

test("a removal without steps stays as it is", () => {
  const plain = { ...REMOVAL, resection: null, instant: 0 };
  assert.equal(removalAt(plain, 1), plain);
  assert.ok(isWhole(plain));
});

test("running numbers lie between the instants they were worked out at", () => {
  assert.equal(numbersAt(COURSE, 0).bone_mm3, 0);
  assert.equal(numbersAt(COURSE, 0.5).bone_mm3, 50);
  assert.equal(numbersAt(COURSE, 1.5).area_gained_mm2, 20);
  assert.equal(numbersAt(COURSE, 7).bone_mm3, 160);
  assert.equal(numbersAt(COURSE, 1).facet_kept_frac.ipsilateral, 0.8);
  assert.equal(numbersAt(COURSE, 1).facet_kept_frac.contralateral, null);
});

test("the first step is seen from the first phase, the others from over the top", () => {
  assert.deepEqual(
    [0, 0.99, 1, 2].map((instant) => stepAt(COURSE, instant)),
    [0, 0, 1, 1],
  );
  assert.deepEqual(
    [0, 1].map((step) => phaseAt(PLAN, step)),
    [0, 1],
  );
});

test("failure is said first, and never called good", () => {
  const verdict = (freed: boolean, kept: boolean | null) => ({ freed, kept, sentence: "" });
  assert.equal(outcomeWords(verdict(true, true)), "FREED AND KEPT");
  assert.equal(outcomeWords(verdict(false, true)), "NOT FREED");
  assert.equal(outcomeWords(verdict(false, false)), "NOT FREED, NOT KEPT");
  assert.equal(outcomeWords(verdict(true, false)), "FREED, NOT KEPT");
  assert.equal(outcomeWords(null), "NOT JUDGED");
  assert.equal(outcomeWords(verdict(true, true), 0.32), "UNLIKELY TO BE FREED AND KEPT");
  assert.equal(outcomeWords(verdict(true, true), 0.5), "FREED AND KEPT");
  assert.deepEqual([outcomeOf(verdict(true, true), 0.32), outcomeOf(verdict(true, true), 0.9)], ["bad", "good"]);
  const plans = [verdict(true, true), verdict(true, false), verdict(false, true), null];
  assert.deepEqual(
    plans.map((one) => outcomeOf(one)),
    ["good", "bad", "bad", "unknown"],
  );
});

test("areas and instruments in words", () => {
  assert.equal(areaWords({ before: 129.6, needed: 200, after: 199.9 }), "130 \u2192 200 mm\u00b2, needed 200");
  assert.equal(areaWords(null), "");
  assert.equal(sizesOf(PLAN.channel), "10 / 8 / 4");
});
