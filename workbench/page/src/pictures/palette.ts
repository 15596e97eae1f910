// The colours of the pictures, by what they stand for: the one table of workbench/style/palette.py.

import { HUES, PHASES } from "./hues.generated";

export type Rgb = [number, number, number];

export const rgb = (hex: string): Rgb => [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16) / 255) as Rgb;

export const REMOVED = HUES.removed.paint;
export const BONE = HUES.bone.paint;
/** Bone where it is cut: bone, of a blood-stained hue. */
export const CUT_BONE = "#c08a78";
export const SAC = HUES.sac.paint;
export const CANAL = HUES.canal.paint;
export const FLAVUM = HUES.ligament.paint;
export const DISC = HUES.disc.paint;
export const JOINT = HUES.joint.paint;
export const MARK = HUES.mark.paint;
export const SKIN = "#c9a48c";
export const TOOL = "#c4ccd4";

/** Of the phases, in their order. */
export const phaseColour = (index: number): string => PHASES[index % PHASES.length] ?? PHASES[0];

export const STRUCTURES: Record<string, { colour: string; opacity: number; words: string }> = {
  canal: { colour: CANAL, opacity: 0.3, words: "canal" },
  sac: { colour: SAC, opacity: 0.72, words: "dural sac" },
  flavum: { colour: FLAVUM, opacity: 0.5, words: "ligamentum flavum" },
  disc: { colour: DISC, opacity: 0.6, words: "disc" },
  joint_left: { colour: JOINT, opacity: 0.75, words: "left facet joint" },
  joint_right: { colour: JOINT, opacity: 0.75, words: "right facet joint" },
  skin: { colour: SKIN, opacity: 0.14, words: "skin" },
};

/** What is shown before a person has chosen, by mesh name; "targets", "afterwards" and "plain" (colours in the lens) are none but chosen like them. */
export const SHOWN_AT_FIRST: Record<string, boolean> = {
  bone: true,
  canal: false,
  sac: true,
  flavum: false,
  disc: true,
  joint_left: true,
  joint_right: true,
  skin: false,
  targets: true,
  afterwards: false,
  plain: false,
};

export const isShown = (shown: Record<string, boolean>, name: string): boolean =>
  shown[name] ?? SHOWN_AT_FIRST[name] ?? true;

/** What the endoscope meets besides bone; the canal's wall is bone's own surface. */
export const SEEN_IN_SCOPE: ReadonlySet<string> = new Set(["sac", "flavum", "disc"]);
