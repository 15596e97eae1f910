// When views are drawn: on demand, the coarse mesh while something moves, the full one at rest.

import type { MeshDetail } from "../solids/level_scene";

/** Stillness after which the full mesh is drawn, ms; longer while a control is held. */
const [REST_MS, HELD_REST_MS] = [180, 450];

/** A slow computer rests for as many coarse pictures: a full one between two of them would make it slower still. */
const REST_PICTURES = 2.5;

/** The longest such rest, ms. */
const LONGEST_REST_MS = 1500;

export class DrawScheduler {
  /** Set while a control is held. */
  held = false;
  private readonly draws = new Map<string, (detail: MeshDetail) => void>();
  private readonly due = new Set<string>();
  private readonly coarse = new Set<string>();
  /** Views that have moved since they were drawn last: coarse, however long the frame for it took to come. */
  private readonly moved = new Set<string>();
  private frame = 0;
  private timer = 0;
  private moved_ms = -Infinity;
  private drawn_ms = -Infinity;
  /** How long a coarse picture takes, from one frame to the next. */
  private picture_ms = 0;

  register(view: string, draw: (detail: MeshDetail) => void): void {
    this.draws.set(view, draw);
  }

  /** Something moves in these views. */
  touch(...views: string[]): void {
    this.moved_ms = performance.now();
    for (const view of views) this.moved.add(view);
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
    const pictures_ms = Math.min(REST_PICTURES * this.picture_ms, LONGEST_REST_MS);
    return Math.max(this.held ? HELD_REST_MS : REST_MS, pictures_ms);
  }

  /** One picture a frame, so that the first is on the screen before the next is begun. */
  private drawNext(): void {
    this.frame = 0;
    const [view] = this.due;
    if (view === undefined) return;
    const detail: MeshDetail = this.still && !this.moved.has(view) ? "full" : "proxy";
    this.due.delete(view);
    this.moved.delete(view);
    this.draws.get(view)?.(detail);
    if (detail === "proxy") this.coarse.add(view);
    else this.coarse.delete(view);
    if (detail === "proxy") this.time();
    if (this.due.size) this.redraw();
  }

  /** Times a coarse picture: the next frame comes when it has been drawn. */
  private time(): void {
    this.drawn_ms = performance.now();
    const from_ms = this.drawn_ms;
    requestAnimationFrame(() => {
      if (from_ms === this.drawn_ms) this.picture_ms = (this.picture_ms + performance.now() - from_ms) / 2;
    });
  }

  private settle(): void {
    // a timer may fire a moment early, and a control may have been taken hold of
    if (this.still) this.redraw(...this.coarse);
    else this.timer = window.setTimeout(() => this.settle(), this.rest_ms);
  }
}
