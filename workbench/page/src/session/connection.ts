// The one socket to the server: requests out, checked answers in; connects anew by itself when it breaks.

import { type AnswerTo, checkedAnswer } from "../protocol/answers";
import { type Problem, reply as replyShape, type RequestName, type ServerRequest } from "../protocol/messages";
import { checked, MalformedData } from "../protocol/validation";

/** A request that came to nothing, for reasons that people must hear of. */
export class RequestFailed extends Error {}

export class Refused extends RequestFailed {
  constructor(readonly problem: Problem) {
    super(`${problem.who} ${problem.rule}${problem.got ? ` (got ${problem.got})` : ""}. ${problem.do}`.trim());
  }
}

/** The question was overtaken by a newer one of its kind, or the connection broke before it was answered. */
export class Superseded extends Error {}

export interface ServerAnswer<T> {
  seq: number;
  answer: T;
  binary: ArrayBuffer | null;
}

export interface RequestOptions {
  /** Questions of one lane: an unanswered one is dropped when the next is sent. */
  lane?: string;
  progress?: (done: number, total: number, words: string) => void;
  /** Hears the question's number, to call it off with. */
  started?: (seq: number) => void;
}

interface PendingRequest {
  name: RequestName;
  options: RequestOptions;
  resolve: (answered: ServerAnswer<unknown>) => void;
  reject: (why: Error) => void;
}

/** The shortest and the longest wait between attempts to connect anew, ms. */
const [SOON_MS, LATE_MS] = [250, 4000];

export class Connection {
  private socket: WebSocket | null = null;
  private seq = 0;
  private waiting = new Map<number, PendingRequest>();
  private expecting: { seq: number; answer: unknown } | null = null;
  private wait_ms = SOON_MS;

  /** `changed` hears when the connection comes up and when it breaks. */
  constructor(
    private readonly url: string,
    private readonly changed: (up: boolean) => void,
  ) {
    this.connect();
  }

  get up(): boolean {
    return this.socket?.readyState === WebSocket.OPEN;
  }

  ask<R extends ServerRequest>(question: R, options: RequestOptions = {}): Promise<ServerAnswer<AnswerTo<R["ask"]>>> {
    const seq = ++this.seq;
    if (options.lane !== undefined) this.drop((other) => other.options.lane === options.lane);
    const answered = new Promise<ServerAnswer<unknown>>((resolve, reject) => {
      this.waiting.set(seq, { name: question.ask, options, resolve, reject });
    });
    options.started?.(seq);
    if (this.up) this.socket?.send(JSON.stringify({ ...question, seq }));
    else this.drop((_, number) => number === seq);
    // its answer is checked against the shape of its name before it is resolved
    return answered as Promise<ServerAnswer<AnswerTo<R["ask"]>>>;
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
      const expected = this.expecting;
      this.expecting = null;
      if (expected) this.settle(expected.seq, expected.answer, data);
      return;
    }
    const reply = checked(replyShape, JSON.parse(data), "A message of the server");
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
    const waiting = this.waiting.get(seq);
    this.waiting.delete(seq);
    if (!waiting) return;
    try {
      waiting.resolve({ seq, answer: checkedAnswer(waiting.name, answer), binary });
    } catch (why) {
      waiting.reject(why instanceof MalformedData ? new RequestFailed(why.message) : (why as Error));
    }
  }

  private drop(which: (waiting: PendingRequest, seq: number) => boolean): void {
    for (const [seq, waiting] of this.waiting) {
      if (!which(waiting, seq)) continue;
      this.waiting.delete(seq);
      waiting.reject(new Superseded());
    }
  }
}
