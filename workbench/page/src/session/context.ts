// What every part of the page is given: the state, the connection, and requests whose failures are shown.

import { RequestFailed, Superseded, type ServerAnswer, type Connection, type RequestOptions } from "./connection";
import type { RequestName, ServerRequest } from "../protocol/messages";
import type { AnswerTo } from "../protocol/answers";
import type { State, Store } from "../model/store";

/** A part of the page: fills its element once and follows the store from then on. */
export type Part = (root: HTMLElement, context: Context) => void;

/** A panel of the strip below the scene: a part that also hears whether it is the one that is open. */
export type PanelPart = (root: HTMLElement, context: Context, isOpen: (state: State) => boolean) => void;

export class Context {
  /** What the question was that a refusal belongs to; the answer to another does not take it back. */
  private refused: RequestName | null = null;

  constructor(
    readonly store: Store,
    readonly link: Connection,
  ) {}

  /** The answer, or null where the question was overtaken or refused; a refusal is shown at the top of the page. */
  async ask<R extends ServerRequest>(
    question: R,
    options: RequestOptions = {},
  ): Promise<ServerAnswer<AnswerTo<R["ask"]>> | null> {
    try {
      const answered = await this.link.ask(question, options);
      if (this.refused === question.ask) this.store.set({ problem: "" });
      return answered;
    } catch (why) {
      if (why instanceof Superseded) return null;
      if (!(why instanceof RequestFailed)) throw why;
      this.refused = question.ask;
      this.store.set({ problem: why.message });
      return null;
    }
  }
}
