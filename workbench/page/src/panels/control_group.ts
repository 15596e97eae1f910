// What a group of controls is: an element, and how it follows the state.

import type { State } from "../model/store";

export interface ControlGroup {
  element: HTMLElement;
  show(state: State, changed: ReadonlySet<keyof State>): void;
}
