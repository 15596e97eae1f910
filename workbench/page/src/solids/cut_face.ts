// The face of the bone that is left where bone is taken: the border, in the removal's volume, between taken bone and bone
// that stays. A naive surface net (Gibson 1998, from memory): one point in each cell that the border crosses, a quad
// for each pair of neighbours that it parts.

import type { SurfaceMesh } from "./surface_meshes";
import { facingOf } from "./surface_meshes";
import type { RemovalHeader } from "../protocol/frame_headers";
import type { Vec3 } from "../protocol/plan";

/** A voxel counts as taken from half on. */
const TAKEN = 127.5;

/** The face reaches as far as any bone stands behind it, or beside that: its border is trimmed where it is drawn. */
const STANDS = 1;

/** Where bone fills this much of a voxel the face is drawn and seen; as in the shader, and as bone's own surface. */
export const TRIMMED = 0.45;

export function cutFaceOf(header: RemovalHeader, task: Uint8Array, bone: Uint8Array): SurfaceMesh {
  const { shape } = header;
  const net = new FaceNet(shape, task);
  const strides: Vec3 = [1, shape[0], shape[0] * shape[1]];
  for (const axis of [0, 1, 2] as const) {
    net.eachPair(axis, (at, place) => {
      const next = at + strides[axis];
      const [here, there] = [task[at]! > TAKEN, task[next]! > TAKEN];
      if (here === there || Math.max(bone[at]!, bone[next]!) < STANDS) return;
      net.quad(place, axis, here);
    });
  }
  const points = levelPoints(net.points, header);
  const triangles = Uint32Array.from(net.triangles);
  return { points, facing: facingOf(points, triangles, null), triangles, part: null };
}

/** The net as it grows: points in index coordinates, made where a quad first asks for them. */
class FaceNet {
  readonly points: number[] = [];
  readonly triangles: number[] = [];
  private readonly made = new Map<number, number>();

  constructor(
    private readonly shape: Vec3,
    private readonly values: Uint8Array,
  ) {}

  /** Every pair of neighbours along an axis that has cells all round it. */
  eachPair(axis: 0 | 1 | 2, tell: (at: number, place: Vec3) => void): void {
    const [nx, ny, nz] = this.shape;
    const least = [1, 1, 1];
    least[axis] = 0;
    for (let k = least[2]!; k < nz - 1; k++) {
      for (let j = least[1]!; j < ny - 1; j++) {
        for (let i = least[0]!; i < nx - 1; i++) tell(i + nx * (j + ny * k), [i, j, k]);
      }
    }
  }

  /** The quad between a voxel and the next along an axis, facing the one that is taken. */
  quad(place: Vec3, axis: 0 | 1 | 2, takenFirst: boolean): void {
    const [u, v] = [((axis + 1) % 3) as 0 | 1 | 2, ((axis + 2) % 3) as 0 | 1 | 2];
    const corner = (du: number, dv: number) => {
      const cell: Vec3 = [...place];
      cell[u] -= du;
      cell[v] -= dv;
      return this.pointIn(cell);
    };
    const [a, b, c, d] = [corner(1, 1), corner(0, 1), corner(0, 0), corner(1, 0)];
    if (takenFirst) this.triangles.push(a, c, b, a, d, c);
    else this.triangles.push(a, b, c, a, c, d);
  }

  /** The point of a cell: the mean of where the border crosses its twelve edges. */
  private pointIn([i, j, k]: Vec3): number {
    const [nx, ny] = this.shape;
    const cell = i + nx * (j + ny * k);
    const found = this.made.get(cell);
    if (found !== undefined) return found;
    const value = (corner: number) =>
      this.values[i + (corner & 1) + nx * (j + ((corner >> 1) & 1) + ny * (k + (corner >> 2)))]! - TAKEN;
    const sum: Vec3 = [0, 0, 0];
    let count = 0;
    for (const [from, to] of EDGES) {
      const [one, other] = [value(from), value(to)];
      if (one > 0 === other > 0) continue;
      const t = one / (one - other);
      for (const bit of [0, 1, 2] as const) {
        const [p, q] = [(from >> bit) & 1, (to >> bit) & 1];
        sum[bit] += p + t * (q - p);
      }
      count++;
    }
    const index = this.points.length / 3;
    this.points.push(i + sum[0] / count, j + sum[1] / count, k + sum[2] / count);
    this.made.set(cell, index);
    return index;
  }
}

/** The edges of a cell, as pairs of corners; a corner's bits are its steps along the axes. */
const EDGES: readonly (readonly [number, number])[] = [0, 1, 2, 3, 4, 5, 6, 7].flatMap((corner) =>
  [1, 2, 4].filter((bit) => !(corner & bit)).map((bit) => [corner, corner | bit] as const),
);

/** Index coordinates turned into level mm. */
function levelPoints(points: number[], header: RemovalHeader): Float32Array {
  const back = inverse(header.index_of_level);
  const out = new Float32Array(points.length);
  for (let n = 0; n < points.length; n += 3) {
    for (const row of [0, 1, 2]) {
      const [a, b, c, d] = back.slice(4 * row, 4 * row + 4) as [number, number, number, number];
      out[n + row] = a * points[n]! + b * points[n + 1]! + c * points[n + 2]! + d;
    }
  }
  return out;
}

/** Of a 4x4 matrix, row-major, whose last row is 0 0 0 1. */
function inverse(m: number[]): number[] {
  const [a, b, c, p, d, e, f, q, g, h, i, r] = m as [
    number,
    number,
    number,
    number,
    number,
    number,
    number,
    number,
    number,
    number,
    number,
    number,
  ];
  const det = a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g);
  const rows = [
    [e * i - f * h, c * h - b * i, b * f - c * e],
    [f * g - d * i, a * i - c * g, c * d - a * f],
    [d * h - e * g, b * g - a * h, a * e - b * d],
  ].map((row) => row.map((each) => each / det));
  return rows.flatMap(([x, y, z]) => [x!, y!, z!, -(x! * p + y! * q + z! * r)]);
}
