// A plan as a file: it comes back as it went, and one of another case or of nothing is reported.

import assert from "node:assert/strict";
import { test } from "node:test";

import { scoreCsv } from "../src/model/lesson_score";
import { planFileOf, readPlanFile } from "../src/session/plan_file";
import type { CaseFacts } from "../src/protocol/case_facts";
import { PLAN, STATE } from "./samples";

const LEVEL = { name: "L4-L5", upper: "L4", lower: "L5", sides: ["left" as const], because: "", warnings: [] };
const FACTS: CaseFacts = {
  ...STATE.facts,
  levels: [{ ...LEVEL, check_by_eye: false, confidence_frac: 0.9 }],
};

test("a plan comes back as it went", () => {
  const read = readPlanFile(planFileOf("steep", PLAN, FACTS), FACTS);
  assert.deepEqual(read, { plan: PLAN, words: "" });
});

test("a plan of another case is taken with a word", () => {
  const read = readPlanFile(planFileOf("steep", PLAN, { ...FACTS, mark: "ffffffff" }), FACTS);
  assert.deepEqual(read.plan, PLAN);
  assert.match(read.words, /another case/);
});

test("what is no plan, or of a side that is not there, is refused", () => {
  assert.equal(readPlanFile("{", FACTS).plan, null);
  assert.equal(readPlanFile(JSON.stringify({ plan: PLAN }), FACTS).plan, null);
  const right = readPlanFile(planFileOf("x", { ...PLAN, side: "right" }, FACTS), FACTS);
  assert.equal(right.plan, null);
  assert.match(right.words, /right/);
});

test("the file holds the plan, the mark and the caution, and nothing else", () => {
  const file = JSON.parse(planFileOf("steep", PLAN, FACTS)) as object;
  assert.deepEqual(Object.keys(file).sort(), ["case_mark", "caution", "name", "plan", "schema"]);
});

test("a class's score is one line under its heading", () => {
  const score = { asked: 3, right: 2, wrong: 1, unanswered: 0, missed: [] };
  const about = { lesson: 'one, "two"', case_mark: "ab", level: "L4-L5", side: "left" };
  assert.equal(
    scoreCsv(score, about),
    'lesson,case_mark,level,side,asked,right,wrong,unanswered\n"one, ""two""",ab,L4-L5,left,3,2,1,0\n',
  );
});
