// Keyboard shortcuts that work from anywhere. Single letters keep out of text entry and can be turned off (WCAG 2.1.4).

import type { Context } from "../session/context";
import type { PanelRecord } from "./panel_registry";
import { stepped } from "../dom/slider";
import { farPhase, tilted } from "../model/plan_edit";
import type { Store } from "../model/store";
import { writeStored, readStored } from "../dom/browser_storage";

export interface Shortcut {
  /** As shown in the help. */
  keys: string;
  does: string;
  /** A single letter or sign, which can be turned off. */
  single: boolean;
  fits(event: KeyboardEvent): boolean;
  act(): void;
}

const SINGLES = "canalwise-single-keys";

/** Phases with a key of their own; a plan that has fewer shows its last. */
const NTH = ["first", "second", "third", "fourth"];

export const singlesOn = (): boolean => readStored("localStorage", SINGLES) !== "off";
export const turnSingles = (on: boolean): void => writeStored("localStorage", SINGLES, on ? "on" : "off");

const withCtrl =
  (key: string, shift = false) =>
  (event: KeyboardEvent): boolean =>
    (event.ctrlKey || event.metaKey) && !event.altKey && event.shiftKey === shift && event.key.toLowerCase() === key;

const plain =
  (key: string) =>
  (event: KeyboardEvent): boolean =>
    !event.ctrlKey && !event.metaKey && !event.altKey && event.key === key;

/** A movement that is not over yet is ended first, so that it is what is undone. */
export function undo(store: Store): void {
  store.settle();
  store.undo();
}

export function redo(store: Store): void {
  store.settle();
  store.redo();
}

export interface ShortcutActions {
  save(): void;
  help(): void;
}

/** What a panel's key opens. */
type PanelKey = Pick<PanelRecord, "id" | "title" | "shortcut">;

export function shortcutsOf(context: Context, actions: ShortcutActions, panels: readonly PanelKey[]): Shortcut[] {
  const { store } = context;
  const single = (key: string, does: string, act: () => void): Shortcut => ({
    keys: key,
    does,
    single: true,
    fits: plain(key),
    act,
  });
  return [
    { keys: "Ctrl+Z", does: "undo", single: false, fits: withCtrl("z"), act: () => undo(store) },
    { keys: "Ctrl+Shift+Z", does: "redo", single: false, fits: withCtrl("z", true), act: () => redo(store) },
    { keys: "Ctrl+S", does: "save the plan in the case", single: false, fits: withCtrl("s"), act: actions.save },
    single("[", "over the top: half a degree less medial tilt", () => nudge(context, "ArrowDown")),
    single("]", "over the top: half a degree more medial tilt", () => nudge(context, "ArrowUp")),
    ...NTH.map((nth, place) =>
      single(String(place + 1), `look at the ${nth} phase`, () =>
        store.look({ phase: Math.min(place, store.state.plan.phases.length - 1) }),
      ),
    ),
    single("t", "turn every view: as in theatre, or as radiologists read", () => turn(context)),
    ...panels
      .filter(({ shortcut }) => shortcut !== "")
      .map(({ id, title, shortcut }) => single(shortcut, `open the panel ${title}`, () => store.look({ panel: id }))),
    single("?", "this help", actions.help),
  ];
}

function turn({ store }: Context): void {
  store.look({ turned: store.state.looks.turned === "theatre" ? "reading" : "theatre" });
}

let pause = 0;

function nudge({ store }: Context, key: string): void {
  const phase = farPhase(store.state.plan);
  const value = stepped(key, store.state.plan.phases[phase]?.medial_tilt_deg ?? null, 0.5, null);
  if (value === null) return;
  store.move(tilted(store.state.plan, phase, { medial_tilt_deg: value }));
  clearTimeout(pause);
  pause = setTimeout(() => store.settle(), 400);
}

/** Elements that take letters themselves. */
/** A field that holds a number of the plan has no history of its own: undo there is undo of the plan. */
const PLAN_NUMBER = "input.number";

const TYPED = "input:not([type=checkbox]):not([type=radio]):not([type=range]), select, textarea, [contenteditable]";

export function listen(shortcuts: Shortcut[]): void {
  document.addEventListener("keydown", (event) => {
    const target = event.target instanceof Element ? event.target : null;
    if (event.defaultPrevented || document.querySelector("dialog[open]")) return;
    const shortcut = shortcuts.find((one) => one.fits(event));
    const ofText = shortcut?.keys.endsWith("Z") && !target?.matches(PLAN_NUMBER);
    if (!shortcut || (target?.matches(TYPED) && (shortcut.single || ofText))) return;
    if (shortcut.single && !singlesOn()) return;
    event.preventDefault();
    shortcut.act();
  });
}
