// What browser tests find under `window.rehearsal`; the page itself does not read it.

import type { SceneHandle } from "./views/scene_view";
import type { Connection } from "./session/connection";
import type { EndoscopeHandle } from "./views/endoscope_view";
import type { SlicesHandle } from "./slices/slices_panel";
import type { Store } from "./model/store";

export interface RehearsalHook {
  store: Store;
  link: Connection;
  bench: SceneHandle;
  scope: EndoscopeHandle;
  slices: SlicesHandle;
}

declare global {
  interface Window {
    rehearsal?: RehearsalHook;
  }
}
