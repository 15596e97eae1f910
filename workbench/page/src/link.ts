// The one connection to the server: questions out, answers in, made anew by itself when it breaks.

import type { Problem, Question, Reply } from "./protocol";

export class Refused extends Error {
  constructor(readonly problem: Problem) {
    super(`${problem.who} ${problem.rule}${problem.got ? ` (got ${problem.got})` : ""}. ${problem.do}`.trim());
  }
}

/** The question was overtaken by a newer one of its kind, or the connection broke before it was answered. */
export class Overtaken extends Error {}

export interface Answered<T> {
  seq: number;
  answer: T;
  binary: ArrayBuffer | null;
}

export interface Options {
  /** Questions of one lane: an unanswered one is dropped when the next is asked. */
  lane?: string;
  progress?: (done: number, total: number, words: string) => void;
  /** Told the question's number, to call it off with. */
  started?: (seq: number) => void;
}

interface Waiting {
  options: Options;
  resolve: (answered: Answered<unknown>) => void;
  reject: (why: Error) => void;
}

/** The shortest and the longest wait between attempts to connect anew, ms. */
const [SOON_MS, LATE_MS] = [250, 4000];

export class Link {
  private socket: WebSocket | null = null;
  private seq = 0;
  private waiting = new Map<number, Waiting>();
  private expecting: { seq: number; answer: unknown } | null = null;
  private wait_ms = SOON_MS;

  /** `changed` is told when the connection comes up and when it breaks. */
  constructor(
    private readonly url: string,
    private readonly changed: (up: boolean) => void,
  ) {
    this.connect();
  }

  get up(): boolean {
    return this.socket?.readyState === WebSocket.OPEN;
  }

  ask<T>(question: Question, options: Options = {}): Promise<Answered<T>> {
    const seq = ++this.seq;
    if (options.lane !== undefined) this.drop((other) => other.options.lane === options.lane);
    const answered = new Promise<Answered<unknown>>((resolve, reject) => {
      this.waiting.set(seq, { options, resolve, reject });
    });
    options.started?.(seq);
    if (this.up) this.socket?.send(JSON.stringify({ ...question, seq }));
    else this.drop((_, number) => number === seq);
    return answered as Promise<Answered<T>>;
  }

  private connect(): void {
    const socket = new WebSocket(this.url);
    socket.binaryType = "arraybuffer";
    socket.onopen = () => {
      this.wait_ms = SOON_MS;
      this.changed(true);
    };
    socket.onmessage = (event: MessageEvent<string | ArrayBuffer>) => this.hear(event.data);
    socket.onclose = () => {
      this.socket = null;
      this.expecting = null;
      this.drop(() => true);
      this.changed(false);
      setTimeout(() => this.connect(), this.wait_ms);
      this.wait_ms = Math.min(2 * this.wait_ms, LATE_MS);
    };
    this.socket = socket;
  }

  private hear(data: string | ArrayBuffer): void {
    if (typeof data !== "string") {
      const told = this.expecting;
      this.expecting = null;
      if (told) this.settle(told.seq, told.answer, data);
      return;
    }
    const reply = JSON.parse(data) as Reply;
    if ("progress" in reply) {
      const { done, total, words } = reply.progress;
      this.waiting.get(reply.seq)?.options.progress?.(done, total, words);
    } else if ("dropped" in reply) {
      this.drop((_, seq) => seq === reply.seq);
    } else if ("problem" in reply) {
      this.waiting.get(reply.seq)?.reject(new Refused(reply.problem));
      this.waiting.delete(reply.seq);
    } else if (reply.binary) {
      this.expecting = { seq: reply.seq, answer: reply.answer };
    } else {
      this.settle(reply.seq, reply.answer, null);
    }
  }

  private settle(seq: number, answer: unknown, binary: ArrayBuffer | null): void {
    this.waiting.get(seq)?.resolve({ seq, answer, binary });
    this.waiting.delete(seq);
  }

  private drop(which: (waiting: Waiting, seq: number) => boolean): void {
    for (const [seq, waiting] of this.waiting) {
      if (!which(waiting, seq)) continue;
      this.waiting.delete(seq);
      waiting.reject(new Overtaken());
    }
  }
}
