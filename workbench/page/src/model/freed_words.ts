// What a plan frees, in words: a plan that frees too little is never read as a good one.

import type { FreedVerdict } from "../protocol/plan";

/** Failure first; nothing where it is not known. */
export const freedWords = (verdict: FreedVerdict | null | undefined): string =>
  verdict ? `${verdict.freed ? "" : "NOT FREED. "}${verdict.sentence}. ` : "";

/** Of several plans by name, those that free too little. */
export const notFreedWords = (plans: readonly { name: string; verdict?: FreedVerdict | null | undefined }[]): string =>
  plans
    .filter(({ verdict }) => verdict?.freed === false)
    .map(({ name, verdict }) => `! ${name}: ${freedWords(verdict)}`)
    .join("");
