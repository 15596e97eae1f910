// What a plan frees and keeps, in words, failure first: a plan that frees too little is never read as a good one.

import type { Estimate, Verdict } from "../protocol/estimate";
import type { FreedVerdict, Interval95, ThreeAreas } from "../protocol/plan";
import { PHRASES } from "./phrases.generated";
import { amount, chanceWords, number, withInterval } from "./number_format";

type MaybeVerdict = FreedVerdict | null | undefined;

/** How a plan stands, for a mark beside its words. */
export type Outcome = "good" | "bad" | "unknown";

export const outcomeOf = (verdict: MaybeVerdict, both?: number | null): Outcome =>
  verdict ? (verdict.freed && verdict.kept !== false && !isUnlikely(both) ? "good" : "bad") : "unknown";

/** Are there fewer executions that free and keep than a plan must have to be called good? */
const isUnlikely = (both?: number | null): boolean => typeof both === "number" && both < PHRASES.unlikelyFrac;

/** The verdict in a few words, to be read from afar; `both` is the chance that an execution frees and keeps. */
export function outcomeWords(verdict: MaybeVerdict, both?: number | null): string {
  if (!verdict) return "NOT JUDGED";
  if (!verdict.freed) return verdict.kept === false ? "NOT FREED, NOT KEPT" : "NOT FREED";
  if (verdict.kept === false) return "FREED, NOT KEPT";
  return isUnlikely(both) ? PHRASES.unlikely : "FREED AND KEPT";
}

/** Failure first; nothing where it is not known. */
export const freedWords = (verdict: MaybeVerdict): string =>
  verdict ? `${verdict.freed ? "" : "NOT FREED. "}${verdict.sentence}. ` : "";

/** Of several plans by name, those that free too little. */
export const notFreedWords = (plans: readonly { name: string; verdict?: MaybeVerdict }[]): string =>
  plans
    .filter(({ verdict }) => verdict?.freed === false)
    .map(({ name, verdict }) => `! ${name}: ${freedWords(verdict)}`)
    .join("");

/** Free canal before and after, and what is needed; "" where it is not known. */
export function areaWords(areas: ThreeAreas | null | undefined, after?: Interval95): string {
  if (!areas) return "";
  const reached = withInterval(amount(areas.after, "mm2", 0), after);
  return `${number(areas.before, 0)} \u2192 ${reached}, needed ${number(areas.needed, 0)}`;
}

/** The chances that belong to the verdict; of the limits alone where no more is worked out. */
export function outcomeChance({ chances }: Estimate): string {
  const { freed, kept, both, executions, all_limits: limits } = chances;
  if (freed !== undefined && freed !== null) {
    const words = [both, freed, kept].map((chance) => chanceWords(chance, executions));
    return `chance of both ${words[0]} (freed ${words[1]}, kept ${words[2]}; ${executions} executions)`;
  }
  return limits === null ? "" : `chance that limits are kept: ${chanceWords(limits)}`;
}

/** The limits that the verdict speaks of: of the resection, or of the sweep where there is none. */
export const limitsOf = (estimate: Estimate): Verdict[] => estimate.resection?.limits ?? estimate.verdicts;
