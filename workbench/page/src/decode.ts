// Reads the binary frames that the server sends: a JSON header, then arrays.

import type { ArrayPlace } from "./protocol";

export type Numbers = Float32Array | Uint32Array | Uint16Array | Int16Array | Uint8Array;

const KINDS = {
  float32: Float32Array,
  uint32: Uint32Array,
  uint16: Uint16Array,
  int16: Int16Array,
  uint8: Uint8Array,
} as const;

export interface Frame<H> {
  header: H;
  array<T extends Numbers>(name: string): T;
  has(name: string): boolean;
}

export function frameOf<H extends { arrays: Record<string, ArrayPlace> }>(buffer: ArrayBuffer): Frame<H> {
  const length = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length))) as H;
  return {
    header,
    has: (name) => name in header.arrays,
    array<T extends Numbers>(name: string): T {
      const place = header.arrays[name];
      if (!place) throw new Error(`the frame holds no ${name}`);
      const count = place.shape.reduce((a, b) => a * b, 1);
      return new KINDS[place.dtype](buffer, 4 + length + place.offset, count) as T;
    },
  };
}
