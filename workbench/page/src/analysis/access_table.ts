// The best plan of each access: left, right, both sides, and a midline laminectomy (`canalwise compare`).

import { tableOf, written } from "../dom/data_table";
import type { Context } from "../session/context";
import { button, EFFORT_CHOICES, h, keptChoice } from "../dom/elements";
import type { AccessComparison, AccessRow } from "../protocol/comparisons";
import type { Plan } from "../protocol/plan";
import { notFreedWords, outcomeWords } from "../model/freed_words";
import { chanceWords, number, percent, withInterval } from "../model/number_format";
import { progressButton } from "../session/progress_button";

/** Approaches looked at, all accesses together. */
const EFFORTS = { quick: 600, thorough: 2_400 } as const;

export function accessSection(context: Context, pin: (name: string, plan: Plan) => void): HTMLElement {
  const { store } = context;
  const doing = progressButton(context, "Find the best plan of each access", "accesses", () => void ask());
  const effort = keptChoice("How long", EFFORT_CHOICES, "quick");
  const results = h("div", {});
  let level = "";

  async function ask(): Promise<void> {
    const requested = store.state.plan.level;
    const comparison = await doing.run({ ask: "accesses", level: requested, budget: EFFORTS[effort.value()], seed: 0 });
    if (!comparison) return;
    level = requested;
    results.replaceChildren(resultOf(context, comparison, pin));
    results.scrollIntoView({ block: "start" });
    follow();
  }

  const follow = () => results.classList.toggle("stale", level !== "" && level !== store.state.plan.level);
  store.subscribe((_, changed) => {
    if (changed.has("plan")) follow();
  });
  const note = h(
    "p",
    { class: "quiet" },
    "Searches the left and the right side apart, both sides with one entry each, and lays out a midline laminectomy as a reference; all for the same room needed.",
  );
  return h(
    "section",
    { class: "accesses", "aria-label": "Accesses" },
    h("h2", {}, "Left, right, both sides, midline"),
    note,
    effort.element,
    doing.element,
    results,
  );
}

function resultOf(
  context: Context,
  comparison: AccessComparison,
  pin: (name: string, plan: Plan) => void,
): HTMLElement {
  const heads = [
    "access",
    "verdict; chance as executed",
    "free canal, mm\u00b2",
    "bone to remove, mm\u00b3 (95 %); more than the least",
    "freed, worse side",
    "joints kept, left, right",
  ];
  const table = tableOf(`${comparison.level}: each on the best plan found`, heads, comparison.rows.map(cellsOf));
  table.tHead?.rows[0]?.append(h("th", { scope: "col" }, "plan"));
  comparison.rows.forEach((access, place) =>
    table.tBodies[0]?.rows[place]?.append(h("td", { class: "row-buttons" }, ...buttonsOf(context, access, pin))),
  );
  const stopped = comparison.stopped ? "! Stopped early: the best of what was looked at until then. " : "";
  return h(
    "div",
    {},
    h("div", { class: "scrolls whole", tabindex: "0", role: "region", "aria-label": "Table of the accesses" }, table),
    h("p", {}, `${notFreedWords(comparison.rows)}${stopped}${written(comparison.conclusion)}`),
  );
}

function cellsOf(access: AccessRow): string[] {
  return [
    access.name,
    lines(
      access.verdict ? outcomeWords(access.verdict, access.as_executed?.both) : "not judged",
      access.as_executed ? chanceWords(access.as_executed.both) : "",
    ),
    areaOf(access),
    lines(withInterval(number(access.bone_removed_mm3, 0), access.interval95), moreOf(access)),
    percent(access.freed_frac),
    lines(percent(access.facet_left_frac), percent(access.facet_right_frac)),
  ];
}

/** Each on a line of its own. */
const lines = (...words: string[]): string => words.filter(Boolean).join("\n");

/** Narrowest, before and after, where it is known what is freed; else after, at the disc. */
function areaOf({ freed, canal_area_after_mm2: atDisc }: AccessRow): string {
  const least = freed?.least_area_mm2;
  if (least)
    return lines(`${number(least.before, 0)} \u2192 ${number(least.after, 0)}`, `needed ${number(least.needed, 0)}`);
  return atDisc === null ? "\u2013" : `${number(atDisc, 0)} after, at disc`;
}

function moreOf({ more_than_least: more }: AccessRow): string {
  if (more.bone_removed_mm3 === 0) return "the least";
  const [low, high] = more.interval95.map((end) => number(end, 0));
  const sign = more.bone_removed_mm3 > 0 ? "+" : "";
  return `${more.tie ? "a tie, " : ""}${sign}${number(more.bone_removed_mm3, 0)} (${low} to ${high})`;
}

function buttonsOf(context: Context, access: AccessRow, pin: (name: string, plan: Plan) => void): HTMLElement[] {
  const [only, other] = access.plans;
  if (!only) return [h("span", { class: "quiet" }, "no channel")];
  if (other) {
    return access.plans.map((half) => button(`Show ${half.side} half`, () => context.store.choose(half)));
  }
  return [
    button("Show", () => context.store.choose(only), { "aria-label": `Show the best plan from the ${access.name}` }),
    button("Pin", () => pin(`best ${access.name}`, only), {
      "aria-label": `Pin the best plan from the ${access.name}`,
    }),
  ];
}
