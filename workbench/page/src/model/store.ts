// The page's state in one place: the plan with its history, the last answer, view settings; and who listens to it.
// A part of the page subscribes, and redraws only when a key it shows has changed.

import type { CaseFacts } from "../protocol/case_facts";
import type { EstimateAnswer } from "../protocol/estimate";
import type { RemovalVolumes } from "../protocol/frame_headers";
import type { Plan, Side, Vec3 } from "../protocol/plan";
import { withPoint, type Measurement } from "./measuring";

export type ClipPlane = "axial" | "coronal" | "sagittal";

/** How the plan is looked at; none of it changes a number. */
export interface ViewSettings {
  theme: "dark" | "light";
  /** "theatre": prone, dorsal up, from the surgeon's side; "reading": as radiologists read. */
  turned: "theatre" | "reading";
  /** Black and white of the slices, in the scan's own unit. */
  grey_window: [number, number];
  /** The phase, by place in the plan, that scope and along-the-channel slice follow and that the tilts steer. */
  phase: number;
  /** The scope's tip past the docking depth, mm; its field of view, degrees; its turn about its own axis, degrees. */
  scope_past_mm: number;
  scope_view_deg: number;
  scope_turn_deg: number;
  /** Structures shown in 3D, by mesh name. */
  shown: Record<string, boolean>;
  /** The plane that the scene is cut by, "" for none, and how far it lies from the level's origin along its normal. */
  clip: ClipPlane | "";
  clip_mm: number;
  bone_opacity: number;
  /** The panel that is open, by its id (shell/panel_registry.ts). */
  panel: string;
}

export interface PinnedPlan {
  name: string;
  plan: Plan;
}

export interface State {
  facts: CaseFacts;
  plan: Plan;
  /** What the plan is kept under in the case; "" while it has no name. */
  name: string;
  task: string[];
  /** The level and side that a person has confirmed (`placeOf`); another one is asked for anew. */
  confirmed: Record<string, boolean>;
  /** True between the first and the last movement of one drag or key press. */
  moving: boolean;
  answer: EstimateAnswer | null;
  /** Does the answer belong to the plan on the picture? Numbers are greyed until it does. */
  fresh: boolean;
  /** Executions of the plan that are being worked out for intervals and chances; null while none are. */
  executions: { done: number; total: number } | null;
  removal: RemovalVolumes | null;
  looks: ViewSettings;
  pins: PinnedPlan[];
  /** What is being measured by pointing; null while nothing is. */
  measurement: Measurement | null;
  /** Trainee plans first; numbers are shown afterwards. */
  blind: boolean;
  link: "up" | "down";
  /** What the last question was refused for, in words; "" when all is well. */
  problem: string;
}

type StateKey = keyof State;
type StateListener = (state: State, changed: ReadonlySet<StateKey>) => void;

/** Steps of undo that are kept. */
const HISTORY = 200;

export class Store {
  private past: Plan[] = [];
  private future: Plan[] = [];
  private listeners: StateListener[] = [];
  /** The plan before the drag under way. */
  private before: Plan | null = null;
  /** Is `blind` on only while a lesson's question is open? It is then not kept. */
  veiled = false;

  constructor(public state: State) {}

  subscribe(listener: StateListener): void {
    this.listeners.push(listener);
  }

  set(change: Partial<State>): void {
    const changed = new Set((Object.keys(change) as StateKey[]).filter((key) => change[key] !== this.state[key]));
    if (!changed.size) return;
    this.state = { ...this.state, ...change };
    for (const listener of this.listeners) listener(this.state, changed);
  }

  look(change: Partial<ViewSettings>): void {
    this.set({ looks: { ...this.state.looks, ...change } });
  }

  /** A point that a person showed in a picture, level mm; does it belong to a measurement? */
  point(point: Vec3): boolean {
    const { measurement } = this.state;
    if (measurement) this.set({ measurement: withPoint(measurement, point) });
    return measurement !== null;
  }

  /** Shows a plan while it is being moved; nothing is put into the history until `settle`. */
  move(plan: Plan): void {
    this.before ??= this.state.plan;
    this.set({ plan, moving: true, fresh: false });
  }

  /** Ends a movement: what was before it can be had back by `undo`. */
  settle(): void {
    const before = this.before;
    this.before = null;
    if (before && !same(before, this.state.plan)) this.remember(before);
    this.set({ moving: false });
  }

  /** A plan in one step, such as one that the server gave. */
  choose(plan: Plan): void {
    this.before = null;
    if (!same(plan, this.state.plan)) this.remember(this.state.plan);
    this.set({ plan, moving: false, fresh: false });
  }

  undo(): void {
    const plan = this.past.pop();
    if (!plan) return;
    this.future.push(this.state.plan);
    this.set({ plan, moving: false, fresh: false });
  }

  redo(): void {
    const plan = this.future.pop();
    if (!plan) return;
    this.past.push(this.state.plan);
    this.set({ plan, moving: false, fresh: false });
  }

  get canUndo(): boolean {
    return this.past.length > 0;
  }

  get canRedo(): boolean {
    return this.future.length > 0;
  }

  /** What autosave keeps and a reload brings back. */
  kept(): object {
    const { plan, name, task, confirmed, looks, pins, blind } = this.state;
    return {
      plan,
      name,
      task,
      confirmed,
      looks,
      pins,
      blind: blind && !this.veiled,
      past: this.past,
      future: this.future,
    };
  }

  restore(kept: { past?: Plan[]; future?: Plan[] } & Partial<State>): void {
    const { past, future, ...rest } = kept;
    this.past = past ?? [];
    this.future = future ?? [];
    this.set({ ...rest, fresh: false, moving: false });
  }

  private remember(plan: Plan): void {
    this.past = [...this.past.slice(1 - HISTORY), plan];
    this.future = [];
  }
}

export const same = (a: unknown, b: unknown): boolean => JSON.stringify(a) === JSON.stringify(b);

export const otherSide = (side: Side): Side => (side === "left" ? "right" : "left");

/** Level and side as they are confirmed together. */
export const placeOf = ({ level, side }: Pick<Plan, "level" | "side">): string => `${level} ${side}`;

export const isConfirmed = (state: Pick<State, "confirmed" | "plan">): boolean =>
  Boolean(state.confirmed[placeOf(state.plan)]);

/** May numbers be seen? Not before level and side are confirmed, nor while a trainee plans blind. */
export const numbersShown = (state: State): boolean => isConfirmed(state) && !state.blind;
