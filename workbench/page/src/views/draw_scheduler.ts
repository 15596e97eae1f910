// When views are drawn: on demand, the coarse mesh while something moves, the full one at rest.

import type { MeshDetail } from "../solids/level_scene";

/** Stillness after which the full mesh is drawn, ms; longer while a control is held. */
const [REST_MS, HELD_REST_MS] = [180, 450];

export class DrawScheduler {
  /** Set while a control is held. */
  held = false;
  private readonly draws = new Map<string, (detail: MeshDetail) => void>();
  private readonly due = new Set<string>();
  private readonly coarse = new Set<string>();
  private frame = 0;
  private timer = 0;
  private moved_ms = -Infinity;

  register(view: string, draw: (detail: MeshDetail) => void): void {
    this.draws.set(view, draw);
  }

  /** Something moves in these views. */
  touch(...views: string[]): void {
    this.moved_ms = performance.now();
    clearTimeout(this.timer);
    this.timer = window.setTimeout(() => this.settle(), this.rest_ms);
    this.redraw(...views);
  }

  /** These views changed in one step. */
  redraw(...views: string[]): void {
    for (const view of views) this.due.add(view);
    if (!this.frame) this.frame = requestAnimationFrame(() => this.drawNext());
  }

  get still(): boolean {
    return performance.now() - this.moved_ms >= this.rest_ms;
  }

  private get rest_ms(): number {
    return this.held ? HELD_REST_MS : REST_MS;
  }

  /** One picture a frame, so that the first is on the screen before the next is begun. */
  private drawNext(): void {
    this.frame = 0;
    const detail: MeshDetail = this.still ? "full" : "proxy";
    const [view] = this.due;
    if (view === undefined) return;
    this.due.delete(view);
    this.draws.get(view)?.(detail);
    if (detail === "proxy") this.coarse.add(view);
    else this.coarse.delete(view);
    if (this.due.size) this.redraw();
  }

  private settle(): void {
    // a timer may fire a moment early, and a control may have been taken hold of
    if (this.still) this.redraw(...this.coarse);
    else this.timer = window.setTimeout(() => this.settle(), this.rest_ms);
  }
}
