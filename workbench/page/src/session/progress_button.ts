// A button for a request that takes seconds: how far it is, about how long it still takes, and a stop.

import type { Context } from "./context";
import { button, h, setText } from "../dom/elements";
import type { ServerRequest } from "../protocol/messages";
import type { AnswerTo } from "../protocol/answers";

export interface ProgressButton {
  element: HTMLElement;
  start: HTMLButtonElement;
  /** Asks; null where it was stopped with nothing to tell, overtaken or refused. */
  run<R extends ServerRequest>(question: R): Promise<AnswerTo<R["ask"]> | null>;
  readonly busy: boolean;
}

/** Before this many seconds no time left is stated: it would jump. */
const LEAST_S = 1;

export function progressButton(context: Context, label: string, lane: string, begun: () => void): ProgressButton {
  const start = button(label, begun, { class: "primary" });
  const bar = h("progress", { max: "1", value: "0", "aria-label": label });
  const status = h("span", { class: "quiet" });
  const stop = button("Stop", () => calledOff());
  const doing = h("div", { class: "working-doing", hidden: true }, bar, status, stop);
  const ended = h("span", { class: "unseen", role: "status" });
  let running: number | null = null;
  let turn = 0;

  function calledOff(): void {
    if (running === null) return;
    stop.disabled = true;
    setText(status, "stopping \u2026");
    void context.ask({ ask: "stop", of: running });
  }

  async function run<R extends ServerRequest>(question: R): Promise<AnswerTo<R["ask"]> | null> {
    const [began, mine] = [performance.now(), ++turn];
    show(true);
    const answered = await context.ask(question, {
      lane,
      started: (seq) => (running = seq),
      progress: (done, total, words) => {
        bar.max = total;
        bar.value = done;
        if (!stop.disabled) setText(status, `${words}${left(performance.now() - began, done, total)}`);
      },
    });
    // one that was overtaken leaves what is shown to the newer one
    if (mine === turn) show(false);
    setText(ended, answered ? `${label}: done.` : "");
    return answered ? answered.answer : null;
  }

  function show(busy: boolean): void {
    if (!busy) running = null;
    doing.hidden = !busy;
    start.disabled = busy;
    stop.disabled = false;
    bar.value = 0;
    setText(status, busy ? "beginning \u2026" : "");
  }

  return {
    element: h("div", { class: "working" }, start, doing, ended),
    start,
    run,
    get busy() {
      return running !== null;
    },
  };
}

function left(spent_ms: number, done: number, total: number): string {
  const spent_s = spent_ms / 1000;
  if (done <= 0 || done >= total || spent_s < LEAST_S) return "";
  return `, about ${Math.max(1, Math.round((spent_s * (total - done)) / done))} s more`;
}
