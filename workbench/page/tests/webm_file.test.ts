import assert from "node:assert/strict";
import { test } from "node:test";

import { type EncodedPicture, webmFile } from "../src/play/webm_file";

interface Element {
  id: number;
  from: number;
  to: number;
}

/** The elements one after another within a stretch of a file. */
function elements(bytes: Uint8Array, from: number, to: number): Element[] {
  const view = new DataView(bytes.buffer);
  const found: Element[] = [];
  for (let at = from; at < to;) {
    const long = Math.clz32(bytes[at]!) - 23;
    const id = bytes.subarray(at, at + long).reduce((sum, byte) => sum * 256 + byte, 0);
    const length = Number(view.getBigUint64(at + long) & 0xffffffffffffffn);
    const begin = at + long + 8;
    found.push({ id, from: begin, to: begin + length });
    at = begin + length;
  }
  return found;
}

const within = (bytes: Uint8Array, parent: Element, id: number): Element[] =>
  elements(bytes, parent.from, parent.to).filter((one) => one.id === id);

const value = (bytes: Uint8Array, { from }: Element): number => Number(new DataView(bytes.buffer).getBigUint64(from));

const pictures: EncodedPicture[] = [0, 1, 2, 3, 4].map((place) => ({
  at_ms: 125 * place,
  key: place % 3 === 0,
  data: new Uint8Array(10 + place).fill(place),
}));

test("a file holds its pictures, its length and where its key frames lie", () => {
  const bytes = webmFile({ codec: "V_VP9", width: 1280, height: 620, duration_ms: 625 }, pictures);
  const [head, segment, ...more] = elements(bytes, 0, bytes.length);
  assert.equal(head!.id, 0x1a45dfa3);
  assert.equal(segment!.id, 0x18538067);
  assert.deepEqual(more, []);
  const [info] = within(bytes, segment!, 0x1549a966);
  const [duration] = within(bytes, info!, 0x4489);
  assert.equal(new DataView(bytes.buffer).getFloat64(duration!.from), 625);
  const clusters = within(bytes, segment!, 0x1f43b675);
  assert.deepEqual(
    clusters.map((cluster) => value(bytes, within(bytes, cluster, 0xe7)[0]!)),
    [0, 375],
  );
  const blocks = clusters.map((cluster) => within(bytes, cluster, 0xa3));
  assert.deepEqual(
    blocks.flat().map(({ from, to }) => [...bytes.subarray(from + 4, to)]),
    pictures.map(({ data }) => [...data]),
  );
  assert.deepEqual(
    blocks.map((run) => run.map(({ from }) => new DataView(bytes.buffer).getInt16(from + 1))),
    [
      [0, 125, 250],
      [0, 125],
    ],
  );
  const cues = within(bytes, within(bytes, segment!, 0x1c53bb6b)[0]!, 0xbb);
  const places = cues.map((cue) => value(bytes, within(bytes, within(bytes, cue, 0xb7)[0]!, 0xf1)[0]!));
  // counted from where the segment's own content begins; an element's number and length come before its content
  assert.deepEqual(
    places,
    clusters.map(({ from }) => from - 12 - segment!.from),
  );
});
