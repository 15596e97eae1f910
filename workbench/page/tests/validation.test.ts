import assert from "node:assert/strict";
import { test } from "node:test";
import { plan } from "../src/protocol/plan";
import {
  anything,
  both,
  checked,
  dictionary,
  either,
  fits,
  flag,
  list,
  MalformedData,
  nullable,
  numeric,
  object,
  oneOf,
  optional,
  pair,
  record,
  text,
  triple,
  type Shape,
} from "../src/protocol/validation";
import { PLAN } from "./samples";

const CASES: readonly (readonly [string, Shape<unknown>, readonly unknown[], readonly unknown[]])[] = [
  ["text", text, ["", "a"], [null, undefined, 1, ["a"]]],
  ["numeric", numeric, [0, -1.5], [NaN, Infinity, "1", null, true]],
  ["flag", flag, [true, false], [0, "true", null]],
  ["oneOf", oneOf("left", "right"), ["left"], ["up", null, 0]],
  ["nullable", nullable(text), [null, "a"], [undefined, 1]],
  ["list", list(numeric), [[], [1, 2]], [[1, "2"], { 0: 1 }, "12"]],
  ["pair", pair(numeric), [[1, 2]], [[1], [1, 2, 3], [1, null]]],
  [
    "triple",
    triple(numeric),
    [[1, 2, 3]],
    [
      [1, 2],
      [1, 2, 3, 4],
    ],
  ],
  ["dictionary", dictionary(flag), [{}, { a: true }], [[], { a: 1 }, null]],
  [
    "record",
    record(["a", "b"], numeric),
    [
      { a: 1, b: 2 },
      { a: 1, b: 2, c: 3 },
    ],
    [{ a: 1 }, { a: 1, b: null }],
  ],
  ["object", object({ a: text, b: optional(numeric) }), [{ a: "" }, { a: "", b: 1 }], [{}, { a: "", b: null }, []]],
  ["both", both(object({ a: text }), object({ b: text })), [{ a: "", b: "" }], [{ a: "" }, { b: "" }]],
  ["either", either(text, numeric), ["", 1], [null, true]],
  ["anything", anything, [undefined, null, {}], []],
];

for (const [name, shape, good, bad] of CASES) {
  test(`${name} takes what it should, and nothing else`, () => {
    for (const value of good) assert.equal(shape(value, ""), "", JSON.stringify([value]));
    for (const value of bad) assert.notEqual(shape(value, ""), "", JSON.stringify([value]));
  });
}

test("a fault names the path to the first value that does not fit, and what it should be", () => {
  const wrong = structuredClone(PLAN) as unknown;
  (wrong as { phases: { medial_tilt_deg: unknown }[] }).phases[1]!.medial_tilt_deg = "24";
  assert.equal(plan(wrong, ""), "phases.1.medial_tilt_deg must be a finite number (got string)");
});

test("what fits is used as it is, with whatever else it holds", () => {
  const value = { ...PLAN, more: 1 };
  assert.equal(checked(plan, value, "The plan"), value);
  assert.ok(fits(plan, value));
});

test("a plan without one of its fields, whichever, is refused", () => {
  for (const key of Object.keys(PLAN)) {
    const less = Object.fromEntries(Object.entries(PLAN).filter(([name]) => name !== key));
    assert.throws(
      () => checked(plan, less, "The plan"),
      (why: unknown) => why instanceof MalformedData && why.message.includes(key),
    );
  }
});
