// Distances and angles measured by pointing, in scene and slices alike: points in the level frame, and the words for them.

import type { Vec3 } from "../protocol/plan";
import { dot, lengthOf, sub } from "./channel_geometry";
import { amount } from "./number_format";

export type MeasureKind = "distance" | "angle";

export interface Measurement {
  kind: MeasureKind;
  /** An angle is that at the second of three. */
  points: readonly Vec3[];
}

const POINTS: Record<MeasureKind, number> = { distance: 2, angle: 3 };

export const isComplete = ({ kind, points }: Measurement): boolean => points.length >= POINTS[kind];

/** With one point more; a complete one is begun anew. */
export const withPoint = (measurement: Measurement, point: Vec3): Measurement => ({
  ...measurement,
  points: isComplete(measurement) ? [point] : [...measurement.points, point],
});

/** What was measured, or what is still to be pointed at. */
export function measuredWords(measurement: Measurement): string {
  const { kind, points } = measurement;
  const [a, b, c] = points;
  if (kind === "distance" && a && b) return `distance ${amount(lengthOf(sub(a, b)), "mm")}`;
  if (kind === "angle" && a && b && c) return `angle ${amount(angleAt_deg(a, b, c), "deg")}`;
  return `${kind}: click point ${points.length + 1} of ${POINTS[kind]}`;
}

/** The angle at the middle point, degrees. */
function angleAt_deg(a: Vec3, b: Vec3, c: Vec3): number {
  const [one, other] = [sub(a, b), sub(c, b)];
  const cosine = dot(one, other) / (lengthOf(one) * lengthOf(other) || 1);
  return (Math.acos(Math.min(Math.max(cosine, -1), 1)) * 180) / Math.PI;
}
