// Keeps the numbers true to the plan: a quick estimate after every change, one question at a time and always of the newest
// plan; intervals and the removal as a volume once the hand rests. An answer counts only for the plan it was asked for.

import { frameOf } from "./decode";
import type { Desk } from "./desk";
import { Refused } from "./link";
import type { EstimateAnswer, Plan, Question, RemovalHeader } from "./protocol";
import type { State } from "./store";
import { hasIntervals } from "./told";

/** How long the plan has to stand still before the slower questions are asked, ms. */
const REST_MS = 150;

export class Estimating {
  private asking = false;
  private resting = 0;
  /** The number of the question for intervals that is on its way; 0 for none. */
  private slow = 0;
  /** What this loop was refused for, so that it takes back its own words only. */
  private refused = "";

  constructor(private readonly desk: Desk) {
    desk.store.subscribe((state, changed) => {
      if (changed.has("plan") || changed.has("task")) this.changed(state);
      else if (changed.has("link") && state.link === "up") this.connected(state);
      else if (changed.has("moving")) this.rest();
    });
  }

  start(): void {
    this.changed(this.desk.store.state);
  }

  private changed(state: State): void {
    const told = state.answer?.estimate;
    const other = told && (told.level !== state.plan.level || told.side !== state.plan.side);
    this.desk.store.set({ fresh: false, removal: null, ...(other ? { answer: null } : {}) });
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
    const { plan, task } = this.desk.store.state;
    const answer = await this.estimate({ ask: "estimate", plan, task, intervals: false }, "estimate");
    this.asking = false;
    const current = this.current(plan, task);
    const { state } = this.desk.store;
    // the numbers of a plan that the hand has left already follow it, greyed; those with intervals are not taken back
    const better = current && state.fresh && state.answer !== null && hasIntervals(state.answer.estimate);
    if (answer && !better && answer.estimate.level === state.plan.level) this.desk.store.set({ answer, fresh: current });
    if (!current) void this.quick();
  }

  private rest(): void {
    clearTimeout(this.resting);
    if (this.desk.store.state.moving || this.desk.store.state.link === "down") return;
    this.resting = setTimeout(() => {
      void this.intervals();
      void this.removal();
    }, REST_MS);
  }

  private async intervals(): Promise<void> {
    const { plan, task, answer: had, fresh } = this.desk.store.state;
    if (this.slow || (fresh && had && hasIntervals(had.estimate))) return;
    const answer = await this.estimate({ ask: "estimate", plan, task, intervals: true }, "intervals", (seq) => {
      this.slow = seq;
    });
    if (!this.current(plan, task)) return;
    this.slow = 0;
    if (answer) this.desk.store.set({ answer, fresh: true });
  }

  private async removal(): Promise<void> {
    const { plan, task } = this.desk.store.state;
    if (this.desk.store.state.removal) return;
    const answered = await this.desk.ask({ ask: "removal", plan, task }, { lane: "removal" });
    if (!answered?.binary || !this.current(plan, task)) return;
    const frame = frameOf<RemovalHeader>(answered.binary);
    this.desk.store.set({
      removal: {
        header: frame.header,
        task: frame.array<Uint8Array>("task"),
        cone: frame.array<Uint8Array>("cone"),
        bone: frame.array<Uint8Array>("bone"),
      },
    });
  }

  /** Intervals take seconds: the server is told when they are no longer wanted. */
  private callOff(): void {
    const of = this.slow;
    this.slow = 0;
    if (of && this.desk.link.up) this.desk.link.ask({ ask: "stop", of }).catch(() => undefined);
  }

  private async estimate(
    question: Question, lane: string, started: (seq: number) => void = () => undefined,
  ): Promise<EstimateAnswer | null> {
    try {
      const { answer } = await this.desk.link.ask<EstimateAnswer>(question, { lane, started });
      if (this.refused && this.desk.store.state.problem === this.refused) this.desk.store.set({ problem: "" });
      this.refused = "";
      return answer;
    } catch (why) {
      if (!(why instanceof Refused)) return null;
      this.refused = why.message;
      this.desk.store.set({ problem: why.message });
      return null;
    }
  }

  private current(plan: Plan, task: string[]): boolean {
    const { state } = this.desk.store;
    return state.plan === plan && state.task === task;
  }
}
