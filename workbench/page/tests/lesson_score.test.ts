import assert from "node:assert/strict";
import { test } from "node:test";
import { judgementCsv, scoreCsv } from "../src/model/lesson_score";

const ABOUT = { lesson: "blind", case_mark: "ab12", level: "L3-L4", side: "left" };

test("a score is one line under its heading", () => {
  const csv = scoreCsv({ asked: 4, right: 1, wrong: 1, unanswered: 2, missed: [] }, ABOUT);
  assert.equal(csv, "lesson,case_mark,level,side,asked,right,wrong,unanswered\nblind,ab12,L3-L4,left,4,1,1,2\n");
});

test("a judgement counts what is met, and quotes what holds a comma", () => {
  const verdicts = [true, false, null, true].map((met) => ({ name: "", words: "", met }));
  const judged = { verdicts, missed: ["not freed, left", "pars"], numbers: [], good: null, words: "" };
  const [heads, row] = judgementCsv(judged, ABOUT).split("\n");
  assert.equal(heads, "lesson,case_mark,level,side,judged,met,not_met,not_measured,missed");
  assert.equal(row, 'blind,ab12,L3-L4,left,4,2,1,1,"not freed, left; pars"');
});
