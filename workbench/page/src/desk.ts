// What every part of the page is given: the state, the connection, and how to put a question with its failures told.

import { Overtaken, Refused, type Answered, type Link, type Options } from "./link";
import type { Question } from "./protocol";
import type { Store } from "./store";

/** A part of the page: fills its element once and follows the store from then on. */
export type Part = (root: HTMLElement, desk: Desk) => void;

export class Desk {
  constructor(
    readonly store: Store,
    readonly link: Link,
  ) {}

  /** The answer, or null where the question was overtaken or refused; a refusal is told at the top of the page. */
  async ask<T>(question: Question, options: Options = {}): Promise<Answered<T> | null> {
    try {
      const answered = await this.link.ask<T>(question, options);
      if (this.store.state.problem) this.store.set({ problem: "" });
      return answered;
    } catch (why) {
      if (why instanceof Refused) this.store.set({ problem: why.message });
      else if (!(why instanceof Overtaken)) throw why;
      return null;
    }
  }
}
