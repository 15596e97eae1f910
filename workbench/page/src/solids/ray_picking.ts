// Where a ray meets a mesh first. Every triangle is tried: fast enough for a proxy mesh, and no tree to keep in step.

import type { SurfaceMesh } from "./surface_meshes";
import type { Vec3 } from "../protocol/plan";

export interface RayHit {
  distance_mm: number;
  point: Vec3;
  /** Place of the triangle's first corner in the surface's list. */
  corner: number;
}

/** Triangles seen edge-on are passed by. */
const FLAT = 1e-9;

export interface RayOptions {
  /** Is the surface there at all at that place? */
  there?(point: Vec3): boolean;
  /** From inside too, as where a structure is cut open. */
  inside?: boolean;
}

/** The nearest place where a ray (unit direction) meets a surface from outside. */
export function firstHit(
  surface: SurfaceMesh,
  from: Vec3,
  direction: Vec3,
  { there, inside = false }: RayOptions = {},
): RayHit | null {
  let best: RayHit | null = null;
  const { triangles } = surface;
  for (let t = 0; t < triangles.length; t += 3) {
    const distance = distanceTo(surface, t, from, direction, inside);
    if (distance <= 0 || (best && distance >= best.distance_mm)) continue;
    const point = from.map((start, axis) => start + distance * direction[axis]!) as Vec3;
    if (!there || there(point)) best = { distance_mm: distance, point, corner: t };
  }
  return best;
}

/** Along the ray to one triangle, -1 where it is missed (Moeller and Trumbore 1997, from memory). */
function distanceTo(surface: SurfaceMesh, t: number, from: Vec3, direction: Vec3, inside: boolean): number {
  const { points, triangles } = surface;
  const [a, b, c] = [3 * triangles[t]!, 3 * triangles[t + 1]!, 3 * triangles[t + 2]!];
  const ax = points[a]!,
    ay = points[a + 1]!,
    az = points[a + 2]!;
  const ux = points[b]! - ax,
    uy = points[b + 1]! - ay,
    uz = points[b + 2]! - az;
  const vx = points[c]! - ax,
    vy = points[c + 1]! - ay,
    vz = points[c + 2]! - az;
  const px = direction[1] * vz - direction[2] * vy,
    py = direction[2] * vx - direction[0] * vz,
    pz = direction[0] * vy - direction[1] * vx;
  const det = ux * px + uy * py + uz * pz;
  if (inside ? Math.abs(det) < FLAT : det < FLAT) return -1;
  const sx = from[0] - ax,
    sy = from[1] - ay,
    sz = from[2] - az;
  const u = (sx * px + sy * py + sz * pz) / det;
  if (u < 0 || u > 1) return -1;
  const qx = sy * uz - sz * uy,
    qy = sz * ux - sx * uz,
    qz = sx * uy - sy * ux;
  const v = (direction[0] * qx + direction[1] * qy + direction[2] * qz) / det;
  if (v < 0 || u + v > 1) return -1;
  return (vx * qx + vy * qy + vz * qz) / det;
}

/** The index of the point of a surface nearest to a place. */
export function nearestPoint({ points }: SurfaceMesh, place: Vec3): number {
  let [best, least] = [0, Infinity];
  for (let p = 0; p < points.length; p += 3) {
    const dx = points[p]! - place[0],
      dy = points[p + 1]! - place[1],
      dz = points[p + 2]! - place[2];
    const square = dx * dx + dy * dy + dz * dz;
    if (square < least) [best, least] = [p / 3, square];
  }
  return best;
}
