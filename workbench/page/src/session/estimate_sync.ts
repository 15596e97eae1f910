// Keeps the numbers true to the plan: a quick estimate after every change, one request at a time and always of the newest
// plan; intervals and the removal as a volume once the hand rests. An answer counts only for the plan it was asked for.

import { frameOf } from "../protocol/binary_frame";
import type { Context } from "./context";
import { RequestFailed } from "./connection";
import type { EstimateAnswer } from "../protocol/estimate";
import { removalHeader } from "../protocol/frame_headers";
import type { ServerRequest } from "../protocol/messages";
import type { Plan } from "../protocol/plan";
import type { State } from "../model/store";
import { hasIntervals } from "../model/estimate_rows";
import { removalOf } from "../model/manoeuvre";

/** How long the plan has to stand still before the slower questions are asked, ms. */
const REST_MS = 150;

export class EstimateSync {
  private asking = false;
  private resting = 0;
  /** The number of the question for intervals that is on its way; 0 for none. */
  private slow = 0;
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
    const told = state.answer?.estimate;
    const other = told && (told.level !== state.plan.level || told.side !== state.plan.side);
    this.context.store.set({ fresh: false, removal: null, ...(other ? { answer: null } : {}) });
    this.callOff();
    void this.quick();
    this.rest();
  }

  private connected(state: State): void {
    this.slow = 0;
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
    // the numbers of a plan that the hand has left already follow it, greyed; those with intervals are not taken back
    const better = current && state.fresh && state.answer !== null && hasIntervals(state.answer.estimate);
    if (answer && !better && answer.estimate.level === state.plan.level)
      this.context.store.set({ answer, fresh: current });
    if (!current) void this.quick();
  }

  private rest(): void {
    clearTimeout(this.resting);
    if (this.context.store.state.moving || this.context.store.state.link === "down") return;
    this.resting = setTimeout(() => {
      void this.intervals();
      void this.removal();
    }, REST_MS);
  }

  private async intervals(): Promise<void> {
    const { plan, task, answer: had, fresh } = this.context.store.state;
    if (this.slow || (fresh && had && hasIntervals(had.estimate))) return;
    const answer = await this.estimate({ ask: "estimate", plan, task, intervals: true }, "intervals", (seq) => {
      this.slow = seq;
    });
    if (!this.current(plan, task)) return;
    this.slow = 0;
    if (answer) this.context.store.set({ answer, fresh: true });
  }

  private async removal(): Promise<void> {
    const { plan, task } = this.context.store.state;
    if (this.context.store.state.removal) return;
    const answered = await this.context.ask({ ask: "removal", plan, task }, { lane: "removal" });
    if (!answered?.binary || !this.current(plan, task)) return;
    const frame = frameOf(answered.binary, removalHeader);
    this.context.store.set({ removal: removalOf(frame, frame.header) });
  }

  /** Intervals take seconds: the server is told when they are no longer wanted. */
  private callOff(): void {
    const of = this.slow;
    this.slow = 0;
    if (of && this.context.link.up) this.context.link.ask({ ask: "stop", of }).catch(() => undefined);
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
