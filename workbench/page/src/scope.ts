// The endoscope's view: what is seen at which clock position.

import type { Part } from "./desk";

/** What tests and other parts may ask of the endoscope's view. */
export interface ScopeHook {
  /** The structure seen at a clock position, so far out from the middle (0) toward the rim (1); null for nothing. */
  pick(hour: number, radius_frac: number): string | null;
  /** The picture with its clock, as a data URL. */
  png(): string;
  drawn: number;
}

export const scopeHook: ScopeHook = { pick: () => null, png: () => "", drawn: 0 };

export const scope: Part = () => undefined;
