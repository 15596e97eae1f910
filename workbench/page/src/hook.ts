// What tests and other parts of the page find under `window.rehearsal`.

import type { BenchHook } from "./bench";
import type { Link } from "./link";
import type { ScopeHook } from "./scope";
import type { SlicesHook } from "./slices";
import type { Store } from "./store";

export interface Hook {
  store: Store;
  link: Link;
  bench: BenchHook;
  scope: ScopeHook;
  slices: SlicesHook;
}

declare global {
  interface Window {
    rehearsal?: Hook;
  }
}
