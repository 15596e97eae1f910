// The rows and sentences of `canalwise estimate` from its JSON, letter for letter (workbench/console/tables.py).

import type { Chances, Estimate, Facet, Relation, Verdict } from "./protocol";
import { amount, chanceWords, joined, limitWords, number, percent, withInterval } from "./wording";

export const RELATIONS: readonly Relation[] = ["ipsilateral", "contralateral"];

const MET = new Map<boolean | null, string>([[true, "kept"], [false, "BREACHED"], [null, "not measured"]]);

/** Kinds of a joint's share that are told: its key, its word, the key of its interval. */
const SHARES = [
  ["area_frac", "surface", "interval95"],
  ["width_frac", "width", "width_interval95"],
] as const;

/** The chances, or null where no samples were drawn. */
export function chancesOf(estimate: Estimate): Chances | null {
  const told = estimate.chances;
  return told?.all_limits === undefined ? null : (told as Chances);
}

export const hasIntervals = (estimate: Estimate): boolean => Boolean(estimate.task.bone_removed_mm3.interval95);

/** How a limit stands, in words; said where an error within its interval could turn it round. */
export const stands = (verdict: Verdict): string =>
  (MET.get(verdict.met) ?? "") + (verdict.within_error ? ", within error" : "");

export const breaches = (estimate: Estimate): string[] =>
  estimate.verdicts.filter((verdict) => verdict.met === false).map((verdict) => verdict.name);

/** (quantity, task, cone) of bone and joints. */
export function headlineRows(estimate: Estimate): [string, string, string][] {
  const bone = [estimate.task, estimate.cone].map(({ bone_removed_mm3: told }) =>
    withInterval(number(told.total, 0), told.interval95),
  );
  const rows: [string, string, string][] = [["bone removed, mm3", bone[0] ?? "", bone[1] ?? ""]];
  const kept = [estimate.task.facet_preserved, estimate.facet_preserved];
  for (const relation of RELATIONS) {
    for (const [key, words, ends] of SHARES) {
      const shares = kept.map((facets) => shareWords(facets?.[relation], key, ends));
      rows.push([`${relation} facet ${words} kept`, shares[0] ?? "", shares[1] ?? ""]);
    }
  }
  return rows;
}

type Share = (typeof SHARES)[number];

function shareWords(facet: Facet | null | undefined, key: Share[0], ends: Share[2]): string {
  return withInterval(percent(facet?.[key]), facet?.[ends], 0, 100);
}

/** (set of targets, share touched, chance that enough of it is). */
export function taskRows(estimate: Estimate): [string, string, string][] {
  const chances = chancesOf(estimate)?.targets ?? {};
  return Object.entries(estimate.task.targets).map(([name, share]) => [
    name,
    share === null ? "not in view" : percent(share),
    chanceWords(chances[name]),
  ]);
}

/** One limit: its name, the value found, the limit, how it stands, and the chance that it is kept. */
export function verdictRow(verdict: Verdict): [string, string, string, string, string] {
  const { value, limit, unit } = verdict;
  return [verdict.name, amount(value, unit), amount(limit, unit), stands(verdict), chanceWords(verdict.chance)];
}

/** How likely the plan keeps what it must and reaches what it is made for; "" when not told. */
export function chanceLine(estimate: Estimate): string {
  const told = chancesOf(estimate);
  if (!told || told.all_limits === null) return "";
  const wanted = `at least ${percent(told.enough_frac)} touched of ${joined(told.wanted)}`;
  return (
    `Chances from ${estimate.samples} samples: all limits kept ${chanceWords(told.all_limits)}; ${wanted} ` +
    `${chanceWords(told.all_targets)}; both ${chanceWords(told.all)}.`
  );
}

export function reachLine(estimate: Estimate): string {
  const reach = estimate.contralateral_reach;
  if (!reach) return "Contralateral reach: not known, no targets in view.";
  const told = withInterval(amount(reach.lateral_mm, "mm"), reach.interval95, 1);
  return `Contralateral reach: ${told} past the midline at disc level, ${limitWords(reach.limited_by)}.`;
}
