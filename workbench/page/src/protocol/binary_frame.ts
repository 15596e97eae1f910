// Reads binary frames: a JSON header, then typed arrays.
//
// A frame is a uint32 (little-endian) with the header's length, the header as JSON in UTF-8 padded to 4 bytes with
// spaces, then the arrays, each aligned to 4 bytes at the offset that the header gives.

import type { ArrayPlace, FrameHeader } from "./frame_headers";
import { checked, MalformedData, type Shape } from "./validation";

const KINDS = {
  float32: Float32Array,
  uint32: Uint32Array,
  uint16: Uint16Array,
  int16: Int16Array,
  uint8: Uint8Array,
} as const;

type Kind = ArrayPlace["dtype"];
type ArrayOf<K extends Kind> = InstanceType<(typeof KINDS)[K]>;

/** Bytes of the number that tells the header's length. */
const LENGTH_BYTES = 4;

export interface Frame<H> {
  header: H;
  /** The array of that name; raises MalformedData where it is missing, of none of these kinds, or cut short. */
  array<K extends Kind>(name: string, ...kinds: K[]): ArrayOf<K>;
  has(name: string): boolean;
}

/** The frame in a buffer; raises MalformedData where its header is cut short or not of the shape. */
export function frameOf<H extends FrameHeader>(buffer: ArrayBuffer, shape: Shape<H>): Frame<H> {
  const header = checked(shape, headerOf(buffer), "A frame's header");
  const start = LENGTH_BYTES + new DataView(buffer).getUint32(0, true);
  return {
    header,
    has: (name) => name in header.arrays,
    array<K extends Kind>(name: string, ...kinds: K[]): ArrayOf<K> {
      const place = header.arrays[name];
      if (!place) throw new MalformedData(`the frame holds no ${name}`);
      const kind = kinds.find((each) => each === place.dtype);
      if (!kind) throw new MalformedData(`the frame's ${name} must be ${kinds.join(" or ")} (got ${place.dtype})`);
      const count = place.shape.reduce((a, b) => a * b, 1);
      const end = start + place.offset + count * KINDS[kind].BYTES_PER_ELEMENT;
      if (end > buffer.byteLength) throw new MalformedData(`the frame's ${name} is cut short`);
      return new KINDS[kind](buffer, start + place.offset, count) as ArrayOf<K>;
    },
  };
}

function headerOf(buffer: ArrayBuffer): unknown {
  const length = buffer.byteLength < LENGTH_BYTES ? Infinity : new DataView(buffer).getUint32(0, true);
  if (LENGTH_BYTES + length > buffer.byteLength) throw new MalformedData("the frame's header is cut short");
  return JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, LENGTH_BYTES, length)));
}
