// Digitally reconstructed radiographs: two pictures with the plan's marks, in pixels.

import { list, numeric, object, oneOf, pair, text, type TypeOf } from "./validation";

/** What is drawn of the plan; `phase` is its place in the plan, -1 for what belongs to none. */
const radiographMark = object({
  name: text,
  kind: oneOf("point", "line", "outline"),
  phase: numeric,
  pixels: list(pair(numeric)),
});
export type RadiographMark = TypeOf<typeof radiographMark>;

const radiograph = object({
  /** "AP" or "lateral". */
  name: text,
  /** What it was computed from, in words. */
  made_from: text,
  /** A data URL. */
  png: text,
  width: numeric,
  height: numeric,
  left_word: text,
  right_word: text,
  up_word: text,
  down_word: text,
  marks: list(radiographMark),
});
export type Radiograph = TypeOf<typeof radiograph>;

export const radiographPair = object({ ap: radiograph, lateral: radiograph });
export type RadiographPair = TypeOf<typeof radiographPair>;
