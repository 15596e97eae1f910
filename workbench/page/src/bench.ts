// The bench: bone, canal, channel and the bone to be removed in 3D, turned and pointed at by hand.

import type { Part } from "./desk";
import type { Vec3 } from "./protocol";

/** What tests and other parts may ask of the bench. */
export interface BenchHook {
  /** Turns the view so that a point (level mm) is in its middle. */
  focus(point: Vec3): void;
  /** Frames drawn so far. */
  drawn: number;
  mode: "proxy" | "full";
  canvas: HTMLCanvasElement | null;
}

export const benchHook: BenchHook = { focus: () => undefined, drawn: 0, mode: "full", canvas: null };

export const bench: Part = () => undefined;
