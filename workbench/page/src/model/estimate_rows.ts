// Rows and sentences of an estimate from its JSON, letter for letter those of `canalwise estimate`.

import type { Estimate, ExecutionAnswer, FacetKept, Verdict } from "../protocol/estimate";
import { RELATIONS } from "../protocol/plan";
import { amount, chanceWords, joined, limitWords, number, percent, withInterval } from "./number_format";
import { filled } from "./phrases";
import { PHRASES } from "./phrases.generated";

/** Kinds of a joint's share that are shown: its key, its row, the key of its interval. */
const SHARES = [
  ["area_frac", PHRASES.facetSurfaceRow, "interval95"],
  ["width_frac", PHRASES.facetWidthRow, "width_interval95"],
] as const;

export const hasIntervals = (estimate: Estimate): boolean => Boolean(estimate.task.bone_removed_mm3.interval95);

/** Are intervals and chances of the resection there? */
export const hasExecutions = ({ chances }: Estimate): boolean => chances.freed !== null && chances.freed !== undefined;

/** An estimate with what executions of its plan came to. */
export const withExecutions = (estimate: Estimate, { chances, ...parts }: ExecutionAnswer): Estimate => ({
  ...estimate,
  ...parts,
  chances: { ...estimate.chances, ...chances },
});

/** How a limit stands, in words; said where an error within its interval could turn it round. */
export function stands({ met, within_error }: Verdict): string {
  const words = met === null ? PHRASES.notMeasured : met ? PHRASES.kept : PHRASES.breached;
  return words + (within_error ? PHRASES.withinError : "");
}

export const breaches = (estimate: Estimate): string[] =>
  estimate.verdicts.filter((verdict) => verdict.met === false).map((verdict) => verdict.name);

/** (quantity, task, cone) of bone and joints. */
export function headlineRows(estimate: Estimate): [string, string, string][] {
  const bone = [estimate.task, estimate.cone].map(({ bone_removed_mm3: bone }) =>
    withInterval(number(bone.total, 0), bone.interval95),
  );
  const rows: [string, string, string][] = [[PHRASES.boneRow, bone[0] ?? "", bone[1] ?? ""]];
  const kept = [estimate.task.facet_preserved, estimate.facet_preserved];
  for (const relation of RELATIONS) {
    for (const [key, row, ends] of SHARES) {
      const shares = kept.map((facets) => shareWords(facets[relation], key, ends));
      rows.push([filled(row, { relation }), shares[0] ?? "", shares[1] ?? ""]);
    }
  }
  return rows;
}

type ShareRow = (typeof SHARES)[number];

function shareWords(facet: FacetKept | null | undefined, key: ShareRow[0], ends: ShareRow[2]): string {
  return withInterval(percent(facet?.[key]), facet?.[ends], 0, 100);
}

/** (set of targets, share touched, chance that enough of it is). */
export function taskRows(estimate: Estimate): [string, string, string][] {
  const chances = estimate.chances.targets;
  return Object.entries(estimate.task.targets).map(([name, share]) => [
    name,
    share === null ? PHRASES.outOfView : percent(share),
    chanceWords(chances[name]),
  ]);
}

/** One limit: its name, the value found, the limit, how it stands, and the chance that it is kept. */
export function verdictRow(verdict: Verdict, samples?: number): [string, string, string, string, string] {
  const { value, limit, unit } = verdict;
  const chance = chanceWords(verdict.chance, samples);
  return [verdict.name, amount(value, unit), amount(limit, unit), stands(verdict), chance];
}

/** How likely the plan keeps what it must and reaches what it is made for; "" when not stated. */
export function chanceLine(estimate: Estimate): string {
  const { chances } = estimate;
  if (chances.all_limits === null) return "";
  return filled(PHRASES.chances, {
    samples: String(estimate.samples),
    limits: chanceWords(chances.all_limits),
    enough: percent(chances.enough_frac),
    wanted: joined(chances.wanted),
    targets: chanceWords(chances.all_targets),
    both: chanceWords(chances.all),
  });
}

/** The contralateral reach in one sentence. */
export function reachLine(estimate: Estimate): string {
  const reach = estimate.contralateral_reach;
  if (!reach) return PHRASES.reachUnknown;
  return filled(PHRASES.reach, {
    reach: withInterval(amount(reach.lateral_mm, "mm"), reach.interval95, 1),
    limited: limitWords(reach.limited_by),
  });
}
