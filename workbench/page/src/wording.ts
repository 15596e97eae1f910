// Numbers in words and figures, letter for letter as `canalwise estimate` prints them (workbench/style/phrases.py).

import type { Ends } from "./protocol";

const MINUS = "\u2212";
const EN_DASH = "\u2013";
const NOT_KNOWN = "not known";

type Told = number | null | undefined;

/** Beyond this a chance is told as more than this. */
const LEAST_SURE = 0.99;

/** Fixed digits; a tie goes to the even digit, as the server's Python rounds it. */
export function fixed(value: number, digits: number): string {
  const size = Math.abs(value);
  const scaled = size * 2 ** (digits + 1);
  let text = size.toFixed(digits);
  // a double lies halfway between two decimals only where this is an odd whole number
  const tie = Number.isInteger(scaled) && scaled % 2 === 1;
  if (tie && Number(text.at(-1)) % 2 === 1) text = (size * (1 - Number.EPSILON)).toFixed(digits);
  return value < 0 ? `-${text}` : text;
}

export function number(value: Told, digits = 1): string {
  if (value === null || value === undefined || Number.isNaN(value)) return NOT_KNOWN;
  const text = fixed(value, digits);
  return Number(text) === 0 ? text.replace("-", "") : text.replace("-", MINUS);
}

const UNITS: Record<string, string> = { mm2: "mm\u00b2", mm3: "mm\u00b3", deg: "\u00b0" };

export function amount(value: Told, unit: string, digits = 1): string {
  if (value === null || value === undefined || Number.isNaN(value)) return NOT_KNOWN;
  if (unit === "fraction") return percent(value);
  const written = UNITS[unit] ?? unit;
  return `${number(value, digits)}${written === "\u00b0" ? "" : " "}${written}`.trimEnd();
}

export function percent(frac: Told): string {
  if (frac === null || frac === undefined || Number.isNaN(frac)) return NOT_KNOWN;
  return `${fixed(100 * frac, 0)} %`;
}

export function interval(ends: Ends | undefined, digits = 0, scale = 1): string {
  if (!ends || ends.some((end) => end === null || Number.isNaN(end))) return "";
  return `${number(scale * ends[0], digits)}${EN_DASH}${number(scale * ends[1], digits)}`;
}

export function withInterval(told: string, ends: Ends | undefined, digits = 0, scale = 1): string {
  const between = interval(ends, digits, scale);
  return between ? `${told} (${between})` : told;
}

/** A probability for people; certainty is never claimed from samples. */
export function chanceWords(chance: Told): string {
  if (chance === null || chance === undefined) return "not told";
  return chance > LEAST_SURE ? "> 99 %" : chance < 1 - LEAST_SURE ? "< 1 %" : percent(chance);
}

export function joined(names: readonly string[]): string {
  if (names.length < 2) return names[0] ?? "none";
  return `${names.slice(0, -1).join(", ")} and ${names.at(-1)}`;
}

export const limitWords = (limitedBy: string): string =>
  limitedBy.startsWith("nothing") ? `limited by ${limitedBy}` : `limited by the ${limitedBy}`;

/** Where a point lies beside the midline; `lateral_mm` counts toward `side`. */
export function lateralWords(lateral_mm: number, side: string): string {
  const other = side === "left" ? "right" : "left";
  return `${fixed(Math.abs(lateral_mm), 0)} mm ${lateral_mm >= 0 ? side : other} of the midline`;
}

export const cranialWords = (cranial_mm: number, landmark: string): string =>
  `${fixed(Math.abs(cranial_mm), 0)} mm ${cranial_mm >= 0 ? "cranial" : "caudal"} of ${landmark}`;
