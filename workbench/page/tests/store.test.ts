import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";
import { numbersShown, same, Store } from "../src/model/store";
import { PLAN, STATE, tiltedTo } from "./samples";

let store: Store;
let heard: string[][];

beforeEach(() => {
  store = new Store({ ...STATE });
  heard = [];
  store.subscribe((_, changed) => heard.push([...changed].sort()));
});

const tilt = () => store.state.plan.phases[1]?.medial_tilt_deg;

test("listeners hear of the keys that changed, and of nothing else", () => {
  store.set({ name: "", blind: false });
  assert.deepEqual(heard, []);
  store.set({ name: "mine", blind: false });
  store.look({ phase: 1 });
  assert.deepEqual(heard, [["name"], ["looks"]]);
  assert.equal(store.state.looks.theme, "dark");
});

test("a drag is one step of undo, however many movements it has", () => {
  for (const deg of [25, 26, 27]) store.move(tiltedTo(deg));
  assert.ok(store.state.moving);
  assert.ok(!store.canUndo);
  store.settle();
  assert.ok(!store.state.moving);
  store.undo();
  assert.equal(store.state.plan, PLAN);
  assert.ok(!store.canUndo);
  store.redo();
  assert.equal(tilt(), 27);
});

test("a drag that ends where it began leaves nothing to undo", () => {
  store.move(tiltedTo(30));
  store.move(structuredClone(PLAN));
  store.settle();
  assert.ok(!store.canUndo);
});

test("a plan chosen after an undo takes what could be redone with it", () => {
  store.choose(tiltedTo(30));
  store.undo();
  assert.ok(store.canRedo);
  store.choose(tiltedTo(31));
  assert.ok(!store.canRedo);
  store.undo();
  assert.equal(tilt(), 24);
});

test("any change of the plan makes the numbers stale", () => {
  const changes = [
    () => store.move(tiltedTo(1)),
    () => store.choose(tiltedTo(2)),
    () => store.undo(),
    () => store.redo(),
  ];
  for (const change of changes) {
    store.set({ fresh: true });
    change();
    assert.ok(!store.state.fresh);
  }
});

test("two hundred steps are kept, the newest", () => {
  for (let deg = 0; deg < 250; deg++) store.choose(tiltedTo(deg));
  let steps = 0;
  for (; store.canUndo; steps++) store.undo();
  assert.equal(steps, 200);
  assert.equal(tilt(), 49);
});

test("what is kept brings back plan and history; a veil of a lesson is not kept", () => {
  store.choose(tiltedTo(30));
  store.choose(tiltedTo(31));
  store.undo();
  store.set({ blind: true, name: "mine" });
  store.veiled = true;
  const kept = JSON.parse(JSON.stringify(store.kept())) as Parameters<Store["restore"]>[0];
  const other = new Store({ ...STATE });
  other.restore(kept);
  assert.equal(other.state.name, "mine");
  assert.ok(!other.state.blind);
  assert.ok(same(other.state.plan, tiltedTo(30)));
  other.redo();
  assert.ok(same(other.state.plan, tiltedTo(31)));
});

test("numbers are shown only of a confirmed level, and not while planning blind", () => {
  assert.ok(!numbersShown(store.state));
  store.set({ confirmed: { "L3-L4 left": true } });
  assert.ok(!numbersShown(store.state));
  store.set({ confirmed: { "L4-L5 left": true, "L3-L4 right": true } });
  assert.ok(numbersShown(store.state));
  store.set({ blind: true });
  assert.ok(!numbersShown(store.state));
});
