// Letters that say which way the patient lies at each edge of a picture, as scanners print them: anterior, posterior,
// head, feet, right, left.

import { dot, scaled } from "../model/channel_geometry";
import type { Vec3 } from "../protocol/plan";

export type Edge = "top" | "bottom" | "left" | "right";

/** A direction leaning this much toward a second axis is named after both. */
const LEANING = 0.5;

const ENDS: [string, string, Vec3][] = [
  ["L", "R", [1, 0, 0]],
  ["P", "A", [0, 1, 0]],
  ["H", "F", [0, 0, 1]],
];

export const SPOKEN: Record<string, string> = {
  L: "patient's left",
  R: "patient's right",
  P: "posterior",
  A: "anterior",
  H: "toward the head",
  F: "toward the feet",
};

/** The letters of a direction, the axis it leans to most first: "L", or "L H". */
export function letterOf(direction: Vec3): string {
  return ENDS.map(([plus, minus, axis]) => {
    const along = dot(direction, axis);
    return { letter: along > 0 ? plus : minus, lean: Math.abs(along) };
  })
    .sort((a, b) => b.lean - a.lean)
    .filter(({ lean }, place) => place === 0 || lean > LEANING)
    .slice(0, 2)
    .map(({ letter }) => letter)
    .join(" ");
}

export function lettersOf(right: Vec3, up: Vec3): Record<Edge, string> {
  return {
    top: letterOf(up),
    bottom: letterOf(scaled(up, -1)),
    left: letterOf(scaled(right, -1)),
    right: letterOf(right),
  };
}
