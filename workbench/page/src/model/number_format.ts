// Numbers in words and figures, letter for letter as `canalwise estimate` prints them. The words come from Python
// (phrases.generated.ts); the rounding is Python's, done again here because numbers change while a control is dragged.

import type { Interval95, MaybeNumber } from "../protocol/plan";
import { filled } from "./phrases";
import { PHRASES } from "./phrases.generated";

/** A value that a panel may not have either. */
type OptionalNumber = MaybeNumber | undefined;

const isKnown = (value: OptionalNumber): value is number =>
  value !== null && value !== undefined && !Number.isNaN(value);

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

/** Fixed digits with a true minus, none before a zero. */
export function number(value: OptionalNumber, digits = 1): string {
  if (!isKnown(value)) return PHRASES.notKnown;
  const text = fixed(value, digits);
  return Number(text) === 0 ? text.replace("-", "") : text.replace("-", PHRASES.minus);
}

/** A number with its unit as people write it; a value that is not known stands without one. */
export function amount(value: OptionalNumber, unit: string, digits = 1): string {
  if (!isKnown(value)) return PHRASES.notKnown;
  if (unit === "fraction") return percent(value);
  const written = (PHRASES.units as Record<string, string>)[unit] ?? unit;
  return `${number(value, digits)}${written === PHRASES.units.deg ? "" : " "}${written}`.trimEnd();
}

/** A fraction as whole percent. */
export const percent = (frac: OptionalNumber): string =>
  isKnown(frac) ? filled(PHRASES.percent, { value: number(100 * frac, 0) }) : PHRASES.notKnown;

/** The ends of a 95 % interval, or nothing when there is none. */
export function interval(ends: Interval95 | undefined, digits = 0, scale = 1): string {
  const [low, high] = ends ?? [null, null];
  if (!isKnown(low) || !isKnown(high)) return "";
  return filled(PHRASES.interval, { low: number(scale * low, digits), high: number(scale * high, digits) });
}

/** A value in words, with its 95 % interval in brackets where there is one. */
export function withInterval(value: string, ends: Interval95 | undefined, digits = 0, scale = 1): string {
  const between = interval(ends, digits, scale);
  return between ? filled(PHRASES.withInterval, { value, interval: between }) : value;
}

/** Of a sum of fractions. */
const ROUNDING = 1e-9;

/** A probability for people; certainty is never claimed from samples, and from few of them less than from many. */
export function chanceWords(chance: OptionalNumber, samples = 1000): string {
  if (chance === null || chance === undefined) return PHRASES.chanceUnknown;
  const sure = Math.min(PHRASES.leastSure, 1 - 1 / (samples + 1));
  if (chance > sure) return filled(PHRASES.surerThan, { value: String(Math.floor(100 * sure + ROUNDING)) });
  return chance < 1 - sure
    ? filled(PHRASES.lessThan, { value: String(Math.ceil(100 * (1 - sure) - ROUNDING)) })
    : percent(chance);
}

/** Names as a list in a sentence. */
export function joined(names: readonly string[]): string {
  if (names.length < 2) return names[0] ?? PHRASES.none;
  return filled(PHRASES.listLast, { first: names.slice(0, -1).join(PHRASES.listComma), last: names.at(-1) ?? "" });
}

/** What stops the reach, as it stands in a sentence. */
export const limitWords = (limit: string): string =>
  filled(limit.startsWith("nothing") ? PHRASES.limitedByNothing : PHRASES.limitedBy, { limit });

/** Where a point lies beside the midline; `lateral_mm` counts toward `side`. */
export function lateralWords(lateral_mm: number, side: string): string {
  const other = side === "left" ? "right" : "left";
  return filled(PHRASES.besideMidline, { mm: fixed(Math.abs(lateral_mm), 0), side: lateral_mm >= 0 ? side : other });
}

/** How far cranial or caudal of a landmark. */
export const cranialWords = (cranial_mm: number, landmark: string): string =>
  filled(cranial_mm >= 0 ? PHRASES.cranialOf : PHRASES.caudalOf, { mm: fixed(Math.abs(cranial_mm), 0), landmark });
