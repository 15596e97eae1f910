// What tests and the parts of the page find under `window.rehearsal`: each part puts its own handle in when it is mounted.

import type { Link } from "./link";
import type { Vec3 } from "./protocol";
import type { Store } from "./store";

export interface Hook {
  store: Store;
  link: Link;
  /** The 3D scene; `focus` turns it to a point in the level frame and marks it. */
  bench?: { focus(point_mm: Vec3): void };
  scope?: object;
  slices?: object;
}

declare global {
  interface Window {
    rehearsal?: Hook;
  }
}
