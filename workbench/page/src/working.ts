// A question that takes seconds: a button, how far it is, about how long it still takes, and a stop.

import type { Desk } from "./desk";
import { button, h, say } from "./elements";
import type { Question } from "./protocol";

export interface Working {
  element: HTMLElement;
  start: HTMLButtonElement;
  /** Asks; null where it was stopped with nothing to tell, overtaken or refused. */
  run<T>(question: Question): Promise<T | null>;
  readonly busy: boolean;
}

/** Before this many seconds no time left is told: it would jump. */
const LEAST_S = 1;

export function working(desk: Desk, label: string, lane: string, begun: () => void): Working {
  const start = button(label, begun, { class: "primary" });
  const bar = h("progress", { max: "1", value: "0", "aria-label": label });
  const told = h("span", { class: "quiet" });
  const stop = button("Stop", () => calledOff());
  const doing = h("div", { class: "working-doing", hidden: true }, bar, told, stop);
  const ended = h("span", { class: "unseen", role: "status" });
  let asked: number | null = null;
  let turn = 0;

  function calledOff(): void {
    if (asked === null) return;
    stop.disabled = true;
    say(told, "stopping \u2026");
    void desk.ask({ ask: "stop", of: asked });
  }

  async function run<T>(question: Question): Promise<T | null> {
    const [began, mine] = [performance.now(), ++turn];
    show(true);
    const answered = await desk.ask<T>(question, {
      lane,
      started: (seq) => (asked = seq),
      progress: (done, total, words) => {
        bar.max = total;
        bar.value = done;
        if (!stop.disabled) say(told, `${words}${left(performance.now() - began, done, total)}`);
      },
    });
    // one that was overtaken leaves what is shown to the newer one
    if (mine === turn) show(false);
    say(ended, answered ? `${label}: done.` : "");
    return answered ? answered.answer : null;
  }

  function show(busy: boolean): void {
    if (!busy) asked = null;
    doing.hidden = !busy;
    start.disabled = busy;
    stop.disabled = false;
    bar.value = 0;
    say(told, busy ? "beginning \u2026" : "");
  }

  return {
    element: h("div", { class: "working" }, start, doing, ended),
    start,
    run,
    get busy() {
      return asked !== null;
    },
  };
}

function left(spent_ms: number, done: number, total: number): string {
  const spent_s = spent_ms / 1000;
  if (done <= 0 || done >= total || spent_s < LEAST_S) return "";
  return `, about ${Math.max(1, Math.round((spent_s * (total - done)) / done))} s left`;
}
