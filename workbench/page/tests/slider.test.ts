// Numbers as people type them.

import assert from "node:assert/strict";
import { test } from "node:test";

import { numberTyped } from "../src/dom/slider";

test("a decimal comma is a comma, and a true minus a minus", () => {
  assert.equal(numberTyped("12,5"), 12.5);
  assert.equal(numberTyped(" 12.5 "), 12.5);
  assert.equal(numberTyped("\u22123,25"), -3.25);
  assert.equal(numberTyped("+7"), 7);
  assert.equal(numberTyped(",5"), 0.5);
});

test("what is no number is none", () => {
  for (const text of ["", "12 mm", "1,2,3", "1.000,5", "e5", "--1", "Infinity"])
    assert.ok(Number.isNaN(numberTyped(text)), text);
});
