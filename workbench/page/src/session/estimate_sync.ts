// Keeps the numbers true to the plan: a quick estimate after every change, one request at a time and always of the newest
// plan; intervals and the removal as a volume once the plan rests, then executions of it. An answer counts only for its own plan.

import { frameOf } from "../protocol/binary_frame";
import type { Context } from "./context";
import { RequestFailed } from "./connection";
import type { EstimateAnswer } from "../protocol/estimate";
import { removalHeader } from "../protocol/frame_headers";
import type { ServerRequest } from "../protocol/messages";
import type { Plan } from "../protocol/plan";
import type { State } from "../model/store";
import { hasExecutions, hasIntervals, withExecutions } from "../model/estimate_rows";
import { removalOf } from "../model/manoeuvre";

/** How long the plan has to stand still before the slower requests are sent, and before the slowest is, ms. */
const [REST_MS, LONG_REST_MS] = [150, 900];

export class EstimateSync {
  private asking = false;
  private resting = 0;
  private restingLong = 0;
  /** The numbers of the questions for intervals and for executions that are not answered yet; 0 for none. */
  private slow = 0;
  private slowest = 0;
  /** What this loop was refused for, so that it takes back its own words only. */
  private refused = "";

  constructor(private readonly context: Context) {
    context.store.subscribe((state, changed) => {
      if (changed.has("plan") || changed.has("task")) this.changed(state);
      else if (changed.has("link") && state.link === "up") this.connected(state);
      else if (changed.has("moving")) this.rest();
    });
  }

  start(): void {
    this.changed(this.context.store.state);
  }

  private changed(state: State): void {
    const last = state.answer?.estimate;
    const other = last && (last.level !== state.plan.level || last.side !== state.plan.side);
    this.context.store.set({ fresh: false, executions: null, removal: null, ...(other ? { answer: null } : {}) });
    this.callOff();
    void this.quick();
    this.rest();
  }

  private connected(state: State): void {
    this.slow = this.slowest = 0;
    this.context.store.set({ executions: null });
    if (!state.fresh) void this.quick();
    this.rest();
  }

  private async quick(): Promise<void> {
    if (this.asking) return;
    this.asking = true;
    const { plan, task } = this.context.store.state;
    const answer = await this.estimate({ ask: "estimate", plan, task, intervals: false }, "estimate");
    this.asking = false;
    const current = this.current(plan, task);
    const { state } = this.context.store;
    // the numbers of a plan that a drag has left already follow it, greyed; those with intervals are not taken back
    const better = current && state.fresh && state.answer !== null && hasIntervals(state.answer.estimate);
    if (answer && !better && answer.estimate.level === state.plan.level)
      this.context.store.set({ answer, fresh: current });
    if (!current) void this.quick();
  }

  private rest(): void {
    clearTimeout(this.resting);
    clearTimeout(this.restingLong);
    if (this.context.store.state.moving || this.context.store.state.link === "down") return;
    this.resting = setTimeout(() => {
      void this.intervals();
      void this.removal();
    }, REST_MS);
    this.restingLong = setTimeout(() => void this.executions(), LONG_REST_MS);
  }

  private async intervals(): Promise<void> {
    const { plan, task, answer: had, fresh } = this.context.store.state;
    if (this.slow || (fresh && had && hasIntervals(had.estimate))) return;
    const answer = await this.estimate({ ask: "estimate", plan, task, intervals: true }, "intervals", (seq) => {
      this.slow = seq;
    });
    if (!this.current(plan, task)) return;
    this.slow = 0;
    if (!answer) return;
    this.context.store.set({ answer, fresh: true });
    if (!this.context.store.state.moving) void this.executions();
  }

  /** Intervals and chances of the resection: some seconds, for a plan that rests and has its other numbers. */
  private async executions(): Promise<void> {
    const { plan, task, answer, fresh, moving } = this.context.store.state;
    const estimate = answer?.estimate;
    if (this.slowest || moving || !fresh || !estimate?.verdict || hasExecutions(estimate)) return;
    const show = (done: number, total: number) => {
      if (this.current(plan, task)) this.context.store.set({ executions: { done, total } });
    };
    show(0, 0);
    const started = (seq: number) => (this.slowest = seq);
    const found = await this.context.link
      .ask({ ask: "execution", plan }, { lane: "execution", progress: show, started })
      .catch(() => null);
    const now = this.context.store.state.answer;
    if (!this.current(plan, task)) return;
    this.slowest = 0;
    this.context.store.set({
      executions: null,
      ...(found && now ? { answer: { ...now, estimate: withExecutions(now.estimate, found.answer) } } : {}),
    });
  }

  private async removal(): Promise<void> {
    const { plan, task } = this.context.store.state;
    if (this.context.store.state.removal) return;
    const answered = await this.context.ask({ ask: "removal", plan, task }, { lane: "removal" });
    if (!answered?.binary || !this.current(plan, task)) return;
    const frame = frameOf(answered.binary, removalHeader);
    this.context.store.set({ removal: removalOf(frame, frame.header) });
  }

  /** Intervals take seconds: the server hears when they are no longer wanted. */
  private callOff(): void {
    const unwanted = [this.slow, this.slowest].filter(Boolean);
    this.slow = this.slowest = 0;
    if (!this.context.link.up) return;
    for (const of of unwanted) this.context.link.ask({ ask: "stop", of }).catch(() => undefined);
  }

  private async estimate(
    question: Extract<ServerRequest, { ask: "estimate" }>,
    lane: string,
    started: (seq: number) => void = () => undefined,
  ): Promise<EstimateAnswer | null> {
    try {
      const { answer } = await this.context.link.ask(question, { lane, started });
      if (this.refused && this.context.store.state.problem === this.refused) this.context.store.set({ problem: "" });
      this.refused = "";
      return answer;
    } catch (why) {
      if (!(why instanceof RequestFailed)) return null;
      this.refused = why.message;
      this.context.store.set({ problem: why.message });
      return null;
    }
  }

  private current(plan: Plan, task: string[]): boolean {
    const { state } = this.context.store;
    return state.plan === plan && state.task === task;
  }
}
