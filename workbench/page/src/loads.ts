// The level's frames, fetched once each; the last few levels are kept.

import { frameOf, type Frame } from "./decode";
import type { ArrayPlace } from "./protocol";

/** Levels kept at a time: what a surgeon goes back and forth between. */
const KEPT = 2;

export class Loads<T> {
  private kept = new Map<string, Promise<T>>();

  constructor(
    private readonly file: string,
    private readonly made: (frame: Frame<never>) => T,
  ) {}

  of(level: string): Promise<T> {
    const found = this.kept.get(level) ?? this.fetched(level);
    this.kept.delete(level);
    this.kept.set(level, found);
    for (const oldest of [...this.kept.keys()].slice(0, -KEPT)) this.kept.delete(oldest);
    return found;
  }

  private fetched(level: string): Promise<T> {
    const promise = fetch(`levels/${encodeURIComponent(level)}/${this.file}`)
      .then((response) => {
        if (!response.ok) throw new Error(`the server has no ${this.file} of ${level}`);
        return response.arrayBuffer();
      })
      .then((buffer) => this.made(frameOf<{ arrays: Record<string, ArrayPlace> }>(buffer) as Frame<never>));
    // a failed fetch is tried again when it is next asked for
    promise.catch(() => this.kept.delete(level));
    return promise;
  }
}
