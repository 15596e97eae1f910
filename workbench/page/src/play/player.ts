// Goes through the steps of the resection in time: scene, lens, slices and running numbers follow the removal it sets.

import type { Context } from "../session/context";
import { isWhole, phaseAt, removalAt, stepAt } from "../model/manoeuvre";
import type { RemovalVolumes } from "../protocol/frame_headers";

/** How long a step lasts at the usual speed, s. */
const STEP_S = 3;

/** A picture that took longer moves time on by no more than this, s: a slow computer plays slower, and skips nothing. */
const LONGEST_S = 0.15;

export class Player {
  playing = false;
  speed = 1;
  private before_ms = 0;
  /** Was bone shown as planned away before the first step was played? */
  private afterwards: boolean | null = null;
  private own = false;

  constructor(
    private readonly context: Context,
    private readonly changed: () => void,
  ) {
    context.store.subscribe((_, keys) => {
      if (!keys.has("removal") || this.own) return;
      // another plan: its removal comes whole
      this.playing = false;
      this.giveBack();
      this.changed();
    });
  }

  get removal(): RemovalVolumes | null {
    const { removal } = this.context.store.state;
    return removal?.resection ? removal : null;
  }

  get steps(): readonly string[] {
    return this.removal?.resection?.course.steps ?? [];
  }

  get instant(): number {
    return this.removal?.instant ?? 0;
  }

  play(): void {
    if (!this.removal || this.playing) return;
    if (this.instant >= this.steps.length) this.seek(0);
    this.playing = true;
    this.before_ms = performance.now();
    this.changed();
    requestAnimationFrame(this.tick);
  }

  pause(): void {
    this.playing = false;
    this.changed();
  }

  /** Shows what has gone after so many steps, from where it is seen. */
  seek(instant: number): void {
    const { removal } = this;
    if (!removal?.resection) return;
    const { store } = this.context;
    const next = removalAt(removal, instant);
    const phase = phaseAt(store.state.plan, stepAt(removal.resection.course, next.instant));
    this.afterwards ??= Boolean(store.state.looks.shown["afterwards"]);
    this.own = true;
    store.set({ removal: next });
    this.own = false;
    this.show(true, phase);
    if (isWhole(next) && !this.playing) this.giveBack();
    this.changed();
  }

  private readonly tick = (now_ms: number): void => {
    if (!this.playing) return;
    const passed = Math.min(Math.max(now_ms - this.before_ms, 0) / 1000, LONGEST_S);
    this.before_ms = now_ms;
    const next = this.instant + (this.speed * passed) / STEP_S;
    if (next >= this.steps.length) this.playing = false;
    this.seek(next);
    if (this.playing) requestAnimationFrame(this.tick);
  };

  private show(afterwards: boolean, phase: number): void {
    const { store } = this.context;
    const { shown, phase: had } = store.state.looks;
    if (shown["afterwards"] !== afterwards || had !== phase) store.look({ shown: { ...shown, afterwards }, phase });
  }

  private giveBack(): void {
    if (this.afterwards === null) return;
    const { store } = this.context;
    this.show(this.afterwards, store.state.looks.phase);
    this.afterwards = null;
  }
}
