import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";
import { Connection, Refused, RequestFailed, Superseded } from "../src/session/connection";
import { PLAN } from "./samples";

/** A socket that a test speaks through in the server's place. */
class FakeSocket {
  static readonly OPEN = 1;
  static last: FakeSocket;
  readyState = 0;
  sent: Record<string, unknown>[] = [];
  binaryType = "";
  onopen = (): void => undefined;
  onmessage: (event: { data: unknown }) => void = () => undefined;
  onclose = (): void => undefined;

  constructor(readonly url: string) {
    FakeSocket.last = this;
  }

  send(text: string): void {
    this.sent.push(JSON.parse(text) as Record<string, unknown>);
  }

  open(): void {
    this.readyState = FakeSocket.OPEN;
    this.onopen();
  }

  reply(message: object): void {
    this.onmessage({ data: JSON.stringify(message) });
  }
}

Object.assign(globalThis, { WebSocket: FakeSocket });

let connection: Connection;
let socket: FakeSocket;
let changes: boolean[];

beforeEach(() => {
  changes = [];
  connection = new Connection("ws://here/socket", (up) => changes.push(up));
  socket = FakeSocket.last;
  socket.open();
});

const start = () => connection.ask({ ask: "start", level: "L4-L5", side: "left", instrument: "usual" });

test("a request is sent with its number, and its answer comes back", async () => {
  const request = start();
  assert.deepEqual(socket.sent, [{ ask: "start", level: "L4-L5", side: "left", instrument: "usual", seq: 1 }]);
  socket.reply({ seq: 1, ask: "start", answer: { plan: PLAN }, binary: false });
  assert.deepEqual(await request, { seq: 1, answer: { plan: PLAN }, binary: null });
  assert.deepEqual(changes, [true]);
});

test("an answer that is not of its request's shape never reaches who asked", async () => {
  const request = start();
  socket.reply({ seq: 1, ask: "start", answer: { plan: { ...PLAN, pivot_distance_mm: "50" } }, binary: false });
  await assert.rejects(
    request,
    (why: unknown) => why instanceof RequestFailed && /'start'.*plan\.pivot_distance_mm/.test(why.message),
  );
});

test("a message that is none is an error, and the connection goes on", async () => {
  const request = start();
  assert.throws(() => socket.reply({ seq: "1", answer: {} }), /message of the server/);
  socket.reply({ seq: 1, ask: "start", answer: { plan: PLAN }, binary: false });
  assert.equal((await request).seq, 1);
});

test("a refusal is reported in the server's words", async () => {
  const request = start();
  socket.reply({
    seq: 1,
    ask: "start",
    problem: { who: "the level", rule: "must be in view", got: "'L9'", do: "Choose another." },
  });
  await assert.rejects(
    request,
    (why: unknown) => why instanceof Refused && why.message === "the level must be in view (got 'L9'). Choose another.",
  );
});

test("the next binary frame belongs to the answer that announced it", async () => {
  const request = connection.ask({ ask: "removal", plan: PLAN, task: [] });
  const other = start();
  socket.reply({ seq: 1, ask: "removal", answer: {}, binary: true });
  const frame = new ArrayBuffer(8);
  socket.onmessage({ data: frame });
  socket.reply({ seq: 2, ask: "start", answer: { plan: PLAN }, binary: false });
  assert.equal((await request).binary, frame);
  assert.equal((await other).binary, null);
});

test("progress is passed on, and the number of the request is passed on at once", async () => {
  const heard: unknown[] = [];
  const request = connection.ask(
    { ask: "accesses", level: "L4-L5", task: [], budget: 100, seed: 0 },
    { progress: (...all) => heard.push(all), started: (seq) => heard.push(seq) },
  );
  socket.reply({ seq: 1, ask: "accesses", progress: { done: 5, total: 100, words: "looking" } });
  assert.deepEqual(heard, [1, [5, 100, "looking"]]);
  socket.reply({ seq: 1, ask: "accesses", dropped: true });
  await assert.rejects(request, Superseded);
});

test("in one lane a newer request supersedes the one under way; others go on", async () => {
  const first = connection.ask({ ask: "plans" }, { lane: "list" });
  const aside = connection.ask({ ask: "plans" });
  const second = connection.ask({ ask: "plans" }, { lane: "list" });
  await assert.rejects(first, Superseded);
  for (const seq of [1, 2, 3]) socket.reply({ seq, ask: "plans", answer: { plans: ["a"] }, binary: false });
  assert.deepEqual((await aside).answer, { plans: ["a"] });
  assert.equal((await second).seq, 3);
});

test("when the connection breaks, what was asked is given up, and it is made anew", async (context) => {
  context.mock.timers.enable({ apis: ["setTimeout"] });
  const request = start();
  socket.readyState = 3;
  socket.onclose();
  await assert.rejects(request, Superseded);
  await assert.rejects(start(), Superseded);
  assert.deepEqual(changes, [true, false]);
  context.mock.timers.tick(250);
  assert.notEqual(FakeSocket.last, socket);
  FakeSocket.last.open();
  assert.deepEqual(changes, [true, false, true]);
});
