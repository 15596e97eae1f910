// A level's surfaces from its scene frame, with normals and shading, ready to be drawn and pointed at.

import type { Frame } from "../protocol/binary_frame";
import type { SceneHeader } from "../protocol/frame_headers";
import type { Vec3 } from "../protocol/plan";

/** A triangle surface, level mm. `facing` holds four bytes a point: its normal, and how much bone stands close before it. */
export interface SurfaceMesh {
  points: Float32Array;
  facing: Int8Array;
  triangles: Uint32Array;
  /** Index into the anatomy's parts, for bone. */
  part: Uint8Array | null;
}

export interface Anatomy {
  level: string;
  surfaces: Record<string, SurfaceMesh>;
  parts: string[];
  targets: Record<string, Vec3[]>;
  landmarks: Record<string, Vec3>;
  sac: string;
}

/** Cells of the grid on which bone close before a surface is felt, and how far before it, mm. */
const [SHADE_CELL_MM, SHADE_AHEAD_MM] = [1.5, 3.5];

/** Points in a cell's neighbourhood, as a multiple of the mean over occupied cells, that count as fully shaded. */
const SHADE_FULL = 1.2;

/** Normals are kept in a byte each. */
const BYTE = 127;

export function anatomyOf(frame: Frame<SceneHeader>): Anatomy {
  const { header } = frame;
  const shade = shadeOf(pointsOf(frame, "bone"));
  const surfaces: Record<string, SurfaceMesh> = {};
  for (const name of header.meshes) surfaces[name] = surfaceOf(frame, name, name.startsWith("bone") ? shade : null);
  const { level, parts, targets, landmarks, sac } = header;
  return { level, surfaces, parts, targets, landmarks, sac };
}

function surfaceOf(frame: Frame<SceneHeader>, name: string, shade: ShadeField | null): SurfaceMesh {
  const points = pointsOf(frame, name);
  const triangles = Uint32Array.from(frame.array(`${name}.triangles`, "uint32", "uint16"));
  const part = frame.has(`${name}.part`) ? frame.array(`${name}.part`, "uint8") : null;
  return { points, facing: facingOf(points, triangles, shade), triangles, part };
}

function pointsOf(frame: Frame<SceneHeader>, name: string): Float32Array {
  const given = frame.array(`${name}.points`, "float32", "uint16");
  if (given instanceof Float32Array) return given;
  const packed = frame.header.packed?.[name];
  if (!packed) throw new Error(`nothing says how the points of ${name} are packed`);
  return Float32Array.from(given, (value, place) => value * packed.scale + (packed.offset[place % 3] ?? 0));
}

type ShadeField = (x: number, y: number, z: number) => number;

/** How crowded with surface the surroundings of a place are, 0..1: what makes a gap read as a gap. */
function shadeOf(points: Float32Array): ShadeField {
  const [low, counts] = cellsAround(points);
  const [nx, ny, nz] = counts;
  const cell = (value: number, axis: 0 | 1 | 2) => Math.floor((value - low[axis]) / SHADE_CELL_MM);
  let density = new Float32Array(nx * ny * nz);
  for (let i = 0; i < points.length; i += 3) {
    const at = cell(points[i]!, 0) + nx * (cell(points[i + 1]!, 1) + ny * cell(points[i + 2]!, 2));
    density[at]!++;
  }
  for (const stride of [1, nx, nx * ny]) density = blurred(density, stride);
  let [sum, occupied] = [0, 0];
  for (const value of density) if (value > 0) [sum, occupied] = [sum + value, occupied + 1];
  const full = (SHADE_FULL * sum) / Math.max(occupied, 1);
  return (x, y, z) => {
    const [i, j, k] = [cell(x, 0), cell(y, 1), cell(z, 2)];
    const inside = i >= 0 && j >= 0 && k >= 0 && i < nx && j < ny && k < nz;
    return inside ? Math.min(density[i + nx * (j + ny * k)]! / full, 1) : 0;
  };
}

function cellsAround(points: Float32Array): [Vec3, Vec3] {
  const [low, high]: [Vec3, Vec3] = [
    [Infinity, Infinity, Infinity],
    [-Infinity, -Infinity, -Infinity],
  ];
  for (let i = 0; i < points.length; i++) {
    const axis = (i % 3) as 0 | 1 | 2;
    low[axis] = Math.min(low[axis], points[i]!);
    high[axis] = Math.max(high[axis], points[i]!);
  }
  const counts = low.map((value, axis) => Math.floor((high[axis as 0 | 1 | 2] - value) / SHADE_CELL_MM) + 1) as Vec3;
  return [low, counts];
}

function blurred(values: Float32Array<ArrayBuffer>, stride: number): Float32Array<ArrayBuffer> {
  const out = new Float32Array(values.length);
  for (let i = 0; i < values.length; i++) {
    out[i] = (values[i]! * 2 + (values[i - stride] ?? 0) + (values[i + stride] ?? 0)) / 4;
  }
  return out;
}

/** Normals of the points, each triangle counted by its area, with the shade beside them. */
export function facingOf(points: Float32Array, triangles: Uint32Array, shade: ShadeField | null): Int8Array {
  const sums = normalSums(points, triangles);
  const facing = new Int8Array((points.length / 3) * 4);
  for (let p = 0, q = 0; p < points.length; p += 3, q += 4) {
    const [x, y, z] = [sums[p]!, sums[p + 1]!, sums[p + 2]!];
    const scale = 1 / (Math.sqrt(x * x + y * y + z * z) || 1);
    facing[q] = BYTE * x * scale;
    facing[q + 1] = BYTE * y * scale;
    facing[q + 2] = BYTE * z * scale;
    if (!shade) continue;
    const ahead = SHADE_AHEAD_MM * scale;
    facing[q + 3] = BYTE * shade(points[p]! + ahead * x, points[p + 1]! + ahead * y, points[p + 2]! + ahead * z);
  }
  return facing;
}

function normalSums(points: Float32Array, triangles: Uint32Array): Float32Array {
  const sums = new Float32Array(points.length);
  for (let t = 0; t < triangles.length; t += 3) {
    const [a, b, c] = [3 * triangles[t]!, 3 * triangles[t + 1]!, 3 * triangles[t + 2]!];
    const [ux, uy, uz] = [points[b]! - points[a]!, points[b + 1]! - points[a + 1]!, points[b + 2]! - points[a + 2]!];
    const [vx, vy, vz] = [points[c]! - points[a]!, points[c + 1]! - points[a + 1]!, points[c + 2]! - points[a + 2]!];
    const [nx, ny, nz] = [uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx];
    for (const corner of [a, b, c]) {
      sums[corner]! += nx;
      sums[corner + 1]! += ny;
      sums[corner + 2]! += nz;
    }
  }
  return sums;
}
