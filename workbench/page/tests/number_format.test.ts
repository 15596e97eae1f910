import assert from "node:assert/strict";
import { test } from "node:test";
import {
  amount,
  chanceWords,
  cranialWords,
  fixed,
  interval,
  joined,
  lateralWords,
  limitWords,
  number,
  percent,
  withInterval,
} from "../src/model/number_format";
import { written } from "../src/dom/data_table";

test("a tie goes to the even digit, and what is no tie in binary does not (round half to even: IEEE 754 and Python's docs)", () => {
  const wanted: [number, number, string][] = [
    [0.5, 0, "0"],
    [1.5, 0, "2"],
    [2.5, 0, "2"],
    [-2.5, 0, "-2"],
    [0.125, 2, "0.12"],
    [0.375, 2, "0.38"],
    [2.675, 2, "2.67"],
    [1.005, 2, "1.00"],
    [0.25, 1, "0.2"],
    [0.35, 1, "0.3"],
    [1234.5, 0, "1234"],
  ];
  for (const [value, digits, text] of wanted) assert.equal(fixed(value, digits), text);
});

test("a minus is a true minus, and zero has none", () => {
  assert.equal(number(-3.14), "\u22123.1");
  assert.equal(number(-0.04), "0.0");
  assert.equal(number(1234.56), "1234.6");
});

test("what is not known is said so, without a unit", () => {
  for (const value of [null, undefined, NaN]) {
    for (const words of [number(value), percent(value), amount(value, "mm")]) assert.equal(words, "not known");
  }
  assert.equal(chanceWords(null), "withheld");
});

test("units are written as people write them", () => {
  assert.equal(amount(91.94, "mm2"), "91.9 mm\u00b2");
  assert.equal(amount(35, "deg", 0), "35\u00b0");
  assert.equal(amount(0.876, "fraction"), "88 %");
  assert.equal(amount(3, ""), "3.0");
});

test("an interval stands in brackets, and only where both its ends are known", () => {
  assert.equal(interval([0.81, 0.93], 0, 100), "81\u201393");
  assert.equal(withInterval("87 %", [0.81, 0.93], 0, 100), "87 % (81\u201393)");
  for (const ends of [null, undefined, [null, 1] as [null, number]])
    assert.equal(withInterval("8.7 mm", ends), "8.7 mm");
});

test("certainty is never claimed from samples", () => {
  assert.deepEqual(
    [1, 0.99, 0.974, 0.02, 0].map((chance) => chanceWords(chance)),
    ["> 99 %", "99 %", "97 %", "2 %", "< 1 %"],
  );
});

test("names, limits and places as in a sentence", () => {
  assert.deepEqual([joined([]), joined(["a"]), joined(["a", "b", "c"])], ["none", "a", "a, b and c"]);
  assert.equal(limitWords("sac"), "limited by the sac");
  assert.equal(limitWords("nothing: every target is touched"), "limited by nothing: every target is touched");
  assert.equal(lateralWords(-3, "left"), "3 mm right of the midline");
  assert.equal(cranialWords(-4.2, "the disc's mid-plane"), "4 mm caudal of the disc's mid-plane");
});

test("a sentence of the server gets its units and signs", () => {
  assert.equal(
    written("takes 120 mm3 (95 %: -5 to 30), 4 mm2"),
    "takes 120 mm\u00b3 (95 %: \u22125 to 30), 4 mm\u00b2",
  );
});

test("from few executions less is claimed than from many samples", () => {
  assert.deepEqual(
    [chanceWords(1, 40), chanceWords(0, 40), chanceWords(1), chanceWords(0), chanceWords(0.974)],
    ["> 97 %", "< 3 %", "> 99 %", "< 1 %", "97 %"],
  );
});
