// Flat cuts through the scan: axial, sagittal, coronal and along the channel.

import type { Part } from "./desk";
import type { Vec3 } from "./protocol";

/** What tests and other parts may ask of the slices. */
export interface SlicesHook {
  /** The point that all cuts go through, level mm. */
  point: Vec3;
  /** Grey values of a cut as drawn, row by row from the top, in the scan's own unit; empty before the scan is there. */
  values(kind: "axial" | "sagittal" | "coronal" | "channel"): { columns: number; rows: number; grey: Float32Array };
  drawn: number;
}

export const slicesHook: SlicesHook = {
  point: [0, 0, 0],
  values: () => ({ columns: 0, rows: 0, grey: new Float32Array() }),
  drawn: 0,
};

export const slices: Part = () => undefined;
