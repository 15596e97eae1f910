// Samples planes from a volume and traces contours in them: pure functions on typed arrays.

import type { Vec3 } from "../protocol/plan";

/** A rectangle in the level frame on which to sample; as workbench/images/planes.py. `up` is up the page. */
export interface SlicePlane {
  centre: Vec3;
  right: Vec3;
  up: Vec3;
  width_mm: number;
  height_mm: number;
}

/** Voxels, first index fastest, and the 4x4 matrix (row-major) from level mm to a fractional index. */
export interface VoxelVolume<T extends ArrayLike<number> = ArrayLike<number>> {
  values: T;
  shape: Vec3;
  index_of_level: number[];
}

/** Where the samples of a cut lie in a volume: the index of the first, and the steps along a row and from row to row. */
interface SampleGrid {
  start: Vec3;
  along: Vec3;
  down: Vec3;
}

/** The samples' places: the first at the top left corner, the last at the bottom right. */
function sampleGridOf(volume: VoxelVolume, cut: SlicePlane, columns: number, rows: number): SampleGrid {
  const m = volume.index_of_level;
  const turned = (v: Vec3, w: number): Vec3 =>
    [0, 4, 8].map((r) => m[r]! * v[0] + m[r + 1]! * v[1] + m[r + 2]! * v[2] + m[r + 3]! * w) as Vec3;
  const [across, upward] = [cut.width_mm, cut.height_mm];
  const corner = cut.centre.map((c, i) => c - (across / 2) * cut.right[i]! + (upward / 2) * cut.up[i]!) as Vec3;
  const step = (v: Vec3, by: number): Vec3 => v.map((each) => each * by) as Vec3;
  return {
    start: turned(corner, 1),
    along: turned(step(cut.right, across / Math.max(columns - 1, 1)), 0),
    down: turned(step(cut.up, -upward / Math.max(rows - 1, 1)), 0),
  };
}

/** Trilinear values, row by row from the top; `outside` where the samples leave the voxels' centres. */
export function sampled(
  volume: VoxelVolume,
  cut: SlicePlane,
  size: { columns: number; rows: number },
  outside: number,
): Float32Array {
  const { columns, rows } = size;
  const out = new Float32Array(columns * rows);
  const { start, along, down } = sampleGridOf(volume, cut, columns, rows);
  for (let row = 0; row < rows; row++) {
    const from = start.map((value, i) => value + row * down[i]!) as Vec3;
    sampleRow(volume, from, along, out.subarray(row * columns, (row + 1) * columns), outside);
  }
  return out;
}

function sampleRow(volume: VoxelVolume, from: Vec3, along: Vec3, out: Float32Array, outside: number): void {
  const { values: v } = volume;
  const [nx, ny, nz] = volume.shape;
  const dy = nx,
    dz = nx * ny;
  let [x, y, z] = from;
  for (let n = 0; n < out.length; n++, x += along[0], y += along[1], z += along[2]) {
    // rounding may put a sample a hair before the first centre or behind the last
    if (!(x > -EPS && y > -EPS && z > -EPS && x < nx - 1 + EPS && y < ny - 1 + EPS && z < nz - 1 + EPS)) {
      out[n] = outside;
      continue;
    }
    const i = Math.min(Math.max(Math.floor(x), 0), Math.max(nx - 2, 0));
    const j = Math.min(Math.max(Math.floor(y), 0), Math.max(ny - 2, 0));
    const k = Math.min(Math.max(Math.floor(z), 0), Math.max(nz - 2, 0));
    const at = i + dy * j + dz * k;
    const p = nx > 1 ? 1 : 0,
      q = ny > 1 ? dy : 0,
      r = nz > 1 ? dz : 0;
    const u = x - i,
      w = y - j,
      t = z - k;
    const low = (v[at]! * (1 - u) + v[at + p]! * u) * (1 - w) + (v[at + q]! * (1 - u) + v[at + q + p]! * u) * w;
    const top = at + r;
    const high = (v[top]! * (1 - u) + v[top + p]! * u) * (1 - w) + (v[top + q]! * (1 - u) + v[top + q + p]! * u) * w;
    out[n] = low * (1 - t) + high * t;
  }
}

const EPS = 1e-6;

/** Page coordinates (right, up; mm from the centre) of a level point, and how far it lies before the page. */
export function onPage(cut: SlicePlane, point: Vec3): { right: number; up: number; off: number } {
  const d: Vec3 = [point[0] - cut.centre[0], point[1] - cut.centre[1], point[2] - cut.centre[2]];
  const along = (v: Vec3) => d[0] * v[0] + d[1] * v[1] + d[2] * v[2];
  const [r, u] = [cut.right, cut.up];
  const normal: Vec3 = [r[1] * u[2] - r[2] * u[1], r[2] * u[0] - r[0] * u[2], r[0] * u[1] - r[1] * u[0]];
  return { right: along(r), up: along(u), off: along(normal) };
}

/** The level point at page coordinates. */
export const offPage = (cut: SlicePlane, right: number, up: number): Vec3 =>
  cut.centre.map((c, i) => c + right * cut.right[i]! + up * cut.up[i]!) as Vec3;

/** Pieces of the line on which values cross `at` (marching squares), as x0 y0 x1 y1 in samples. */
export function contour(values: ArrayLike<number>, columns: number, rows: number, at: number): number[] {
  const out: number[] = [];
  for (let row = 0; row + 1 < rows; row++) {
    for (let column = 0; column + 1 < columns; column++) {
      const n = row * columns + column;
      const a = values[n]! - at,
        b = values[n + 1]! - at,
        c = values[n + columns + 1]! - at,
        d = values[n + columns]! - at;
      const kind = (a > 0 ? 1 : 0) | (b > 0 ? 2 : 0) | (c > 0 ? 4 : 0) | (d > 0 ? 8 : 0);
      if (kind === 0 || kind === 15) continue;
      piecesInto(out, kind, column, row, [a, b, c, d]);
    }
  }
  return out;
}

/** Edges of a cell (0 top, 1 right, 2 bottom, 3 left) that the line joins, by which corners lie above. */
const JOINED: readonly (readonly number[])[] = [
  [], [3, 0], [0, 1], [3, 1], [1, 2], [3, 0, 1, 2], [0, 2], [3, 2],
  [2, 3], [2, 0], [0, 1, 2, 3], [2, 1], [1, 3], [1, 0], [0, 3], [],
]; // prettier-ignore

function piecesInto(
  out: number[],
  kind: number,
  x: number,
  y: number,
  [a, b, c, d]: [number, number, number, number],
): void {
  for (const edge of JOINED[kind]!) {
    if (edge === 0) out.push(x + a / (a - b), y);
    else if (edge === 1) out.push(x + 1, y + b / (b - c));
    else if (edge === 2) out.push(x + d / (d - c), y + 1);
    else out.push(x, y + a / (a - d));
  }
}
