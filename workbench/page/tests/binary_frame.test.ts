import assert from "node:assert/strict";
import { test } from "node:test";
import { frameOf } from "../src/protocol/binary_frame";
import { frameHeader } from "../src/protocol/frame_headers";
import { MalformedData } from "../src/protocol/validation";

/** A frame as the server lays it out: length, header padded to 4 bytes with spaces, arrays. */
function frame(header: unknown, body: Uint8Array): ArrayBuffer {
  const text = new TextEncoder().encode(JSON.stringify(header));
  const length = Math.ceil(text.length / 4) * 4;
  const bytes = new Uint8Array(4 + length + body.length).fill(0x20);
  new DataView(bytes.buffer).setUint32(0, length, true);
  bytes.set(text, 4);
  bytes.set(body, 4 + length);
  return bytes.buffer;
}

const HEADER = {
  schema: "canalwise.test/1",
  level: "L4-L5",
  arrays: {
    points: { dtype: "float32", shape: [1, 3], offset: 0 },
    part: { dtype: "uint8", shape: [2], offset: 12 },
  },
};
const BODY = new Uint8Array([...new Uint8Array(new Float32Array([1.5, -2, 3]).buffer), 7, 9, 0, 0]);

test("arrays are read at their places, whatever the header's length", () => {
  for (const level of ["L4-L5", "L4-L5 ", "L4-L5  ", "L4-L5 \u00b0"]) {
    const read = frameOf(frame({ ...HEADER, level }, BODY), frameHeader);
    assert.equal(read.header.level, level);
    assert.deepEqual([...read.array("points", "float32")], [1.5, -2, 3]);
    assert.deepEqual([...read.array("part", "uint16", "uint8")], [7, 9]);
    assert.ok(read.has("part"));
    assert.ok(!read.has("triangles"));
  }
});

test("what is cut short, missing or of no known kind is refused", () => {
  const whole = frame(HEADER, BODY);
  assert.throws(() => frameOf(whole.slice(0, 3), frameHeader), MalformedData);
  assert.throws(() => frameOf(whole.slice(0, 40), frameHeader), MalformedData);
  const short = frameOf(whole.slice(0, -8), frameHeader);
  assert.throws(() => short.array("part", "uint8"), MalformedData);
  assert.throws(() => short.array("triangles", "uint32"), /no triangles/);
  assert.throws(() => short.array("points", "uint16"), /points must be uint16 \(got float32\)/);
  const strange = { ...HEADER, arrays: { points: { dtype: "float16", shape: [3], offset: 0 } } };
  assert.throws(() => frameOf(frame(strange, BODY), frameHeader), /arrays\.points\.dtype/);
});
