import assert from "node:assert/strict";
import { afterEach, beforeEach, test } from "node:test";

import { DrawScheduler } from "../src/views/draw_scheduler";

/** Frames and timers of a page whose pictures take `picture_ms`, on a clock of its own. */
let now = 0;
let frames: (() => void)[] = [];
let timers: { at: number; run: () => void; id: number }[] = [];
const kept = { raf: globalThis.requestAnimationFrame, performance: globalThis.performance, window: globalThis.window };

function clear(id: number): void {
  timers = timers.filter((timer) => timer.id !== id);
}

beforeEach(() => {
  [now, frames, timers] = [0, [], []];
  const setTimeoutOf = (run: () => void, ms: number) => {
    const id = timers.length + now + 1;
    timers.push({ at: now + ms, run, id });
    return id;
  };
  Object.assign(globalThis, { requestAnimationFrame: (run: () => void) => frames.push(run) });
  Object.defineProperty(globalThis, "performance", { value: { now: () => now }, configurable: true });
  Object.assign(globalThis, { window: { setTimeout: setTimeoutOf }, clearTimeout: clear });
});

const { clearTimeout: ownClear } = globalThis;
afterEach(() => {
  Object.assign(globalThis, { requestAnimationFrame: kept.raf, window: kept.window, clearTimeout: ownClear });
  Object.defineProperty(globalThis, "performance", { value: kept.performance, configurable: true });
});

function runFor(ms: number, frame_ms: number): void {
  for (const until = now + ms; now < until;) {
    now += frame_ms;
    for (const timer of timers.filter(({ at }) => at <= now)) {
      clear(timer.id);
      timer.run();
    }
    const due = frames;
    frames = [];
    for (const run of due) run();
  }
}

function drawnBy(frame_ms: number, moves: number): string[] {
  const drawn: string[] = [];
  const scheduler = new DrawScheduler();
  scheduler.register("bench", (detail) => drawn.push(detail));
  for (let move = 0; move < moves; move++) {
    scheduler.touch("bench");
    runFor(frame_ms, frame_ms);
  }
  runFor(4000, frame_ms);
  return drawn;
}

test("coarse while it moves, full once it rests", () => {
  assert.deepEqual(drawnBy(16, 4), ["proxy", "proxy", "proxy", "proxy", "full"]);
});

test("a picture that takes longer than a rest is no rest", () => {
  assert.deepEqual(drawnBy(300, 4), ["proxy", "proxy", "proxy", "proxy", "full"]);
});
