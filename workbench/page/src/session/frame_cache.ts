// Binary frames of a level, fetched once each; those of the last few levels are kept.

import { frameOf, type Frame } from "../protocol/binary_frame";
import type { FrameHeader } from "../protocol/frame_headers";
import type { Shape } from "../protocol/validation";

/** Levels kept at a time: what a surgeon goes back and forth between. */
const KEPT = 2;

export class FrameCache<H extends FrameHeader, T> {
  private kept = new Map<string, Promise<T>>();

  constructor(
    private readonly file: string,
    private readonly shape: Shape<H>,
    private readonly made: (frame: Frame<H>) => T,
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
      .then((buffer) => this.made(frameOf(buffer, this.shape)));
    // a failed fetch is tried again when it is next requested
    promise.catch(() => this.kept.delete(level));
    return promise;
  }
}
