import assert from "node:assert/strict";
import { test } from "node:test";
import type { Vec3 } from "../src/protocol/plan";
import { contour, offPage, onPage, sampled, type SlicePlane, type VoxelVolume } from "../src/slices/reslice";

const SHAPE: Vec3 = [6, 5, 4];

/** Voxels of 2 mm whose values are a linear function of place: trilinear sampling must give it back exactly. */
const field = ([x, y, z]: Vec3) => 3 * x - 2 * y + 5 * z + 1;
const VOLUME: VoxelVolume = {
  shape: SHAPE,
  index_of_level: [0.5, 0, 0, 0, 0, 0.5, 0, 0, 0, 0, 0.5, 0, 0, 0, 0, 1],
  values: Float64Array.from({ length: 120 }, (_, n) =>
    field([2 * (n % 6), 2 * (Math.floor(n / 6) % 5), 2 * Math.floor(n / 30)]),
  ),
};
const PLANE: SlicePlane = { centre: [5, 4, 3], right: [0.8, 0.6, 0], up: [0, 0, 1], width_mm: 4, height_mm: 4 };

test("samples of a linear field are the field itself, on an oblique plane too", () => {
  const found = sampled(VOLUME, PLANE, { columns: 9, rows: 7 }, NaN);
  for (let row = 0; row < 7; row++) {
    for (let column = 0; column < 9; column++) {
      const point = offPage(PLANE, -2 + column / 2, 2 - (4 * row) / 6);
      assert.ok(Math.abs(found[9 * row + column]! - field(point)) < 1e-4);
    }
  }
});

test("beyond the voxels' centres the outside value stands", () => {
  const away: SlicePlane = { ...PLANE, centre: [500, 4, 3] };
  assert.deepEqual([...sampled(VOLUME, away, { columns: 2, rows: 2 }, -1000)], [-1000, -1000, -1000, -1000]);
});

test("a point taken off the page and put back on it is where it was", () => {
  const { right, up, off } = onPage(PLANE, offPage(PLANE, 1.25, -0.5));
  for (const [found, wanted] of [
    [right, 1.25],
    [up, -0.5],
    [off, 0],
  ] as const)
    assert.ok(Math.abs(found - wanted) < 1e-9);
});

test("the contour of a disc lies at its radius", () => {
  const side = 41;
  const values = Float64Array.from(
    { length: side * side },
    (_, n) => 12 - Math.hypot((n % side) - 20, Math.floor(n / side) - 20),
  );
  const pieces = contour(values, side, side, 0);
  assert.ok(pieces.length > 200);
  for (let n = 0; n < pieces.length; n += 2) {
    assert.ok(Math.abs(Math.hypot(pieces[n]! - 20, pieces[n + 1]! - 20) - 12) < 0.1);
  }
});
