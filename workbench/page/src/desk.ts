// What every part of the page is given: the state, the connection, and how to put a question with its failures told.

import { Overtaken, Refused, type Answered, type Link, type Options } from "./link";
import type { Ask, Question } from "./protocol";
import type { Store } from "./store";

/** A part of the page: fills its element once and follows the store from then on. */
export type Part = (root: HTMLElement, desk: Desk) => void;

export class Desk {
  /** What the question was of which a refusal is told; the answer to another does not take it back. */
  private refused: Ask | null = null;

  constructor(
    readonly store: Store,
    readonly link: Link,
  ) {}

  /** The answer, or null where the question was overtaken or refused; a refusal is told at the top of the page. */
  async ask<T>(question: Question, options: Options = {}): Promise<Answered<T> | null> {
    try {
      const answered = await this.link.ask<T>(question, options);
      if (this.refused === question.ask) this.store.set({ problem: "" });
      return answered;
    } catch (why) {
      if (why instanceof Overtaken) return null;
      if (!(why instanceof Refused)) throw why;
      this.refused = question.ask;
      this.store.set({ problem: why.message });
      return null;
    }
  }
}
