// The best plan of each way in: left, right, both sides, and a midline laminectomy (`canalwise compare`).

import { tableOf, written } from "./chart_table";
import type { Desk } from "./desk";
import { button, choice, h } from "./elements";
import type { Ends, Plan } from "./protocol";
import { chanceWords, number, percent, withInterval } from "./wording";
import { working } from "./working";

interface Ways {
  level: string;
  rows: Way[];
  conclusion: string;
  stopped: boolean;
}

interface Way {
  name: string;
  bone_removed_mm3: number;
  interval95: Ends;
  facet_left_frac: number | null;
  facet_right_frac: number | null;
  canal_area_after_mm2: number | null;
  reached_frac: number | null;
  by_hand: { both: number } | null;
  more_than_least: { bone_removed_mm3: number; interval95: [number, number]; tie: boolean };
  plans: Plan[];
}

/** Approaches looked at, all ways together. */
const EFFORTS = { quick: 20_000, thorough: 80_000 } as const;
type Effort = keyof typeof EFFORTS;

/** What both sides can be asked for: each has its own half. */
const TASK = ["ipsilateral recess", "contralateral recess"];

export function waysFace(desk: Desk, pin: (name: string, plan: Plan) => void): HTMLElement {
  const { store } = desk;
  let effort: Effort = "quick";
  const doing = working(desk, "Find the best plan of each way in", "ways", () => void ask());
  const efforts = choice<Effort>("How long", [["quick", "quick"], ["thorough", "thorough"]], (value) => {
    effort = value;
    efforts.show(effort);
  });
  efforts.show(effort);
  const results = h("div", {});
  let level = "";

  async function ask(): Promise<void> {
    const asked = store.state.plan.level;
    const ways = await doing.run<Ways>({ ask: "ways", level: asked, task: TASK, budget: EFFORTS[effort], seed: 0 });
    if (!ways) return;
    level = asked;
    results.replaceChildren(resultOf(desk, ways, pin));
    follow();
  }

  const follow = () => results.classList.toggle("stale", level !== "" && level !== store.state.plan.level);
  store.subscribe((_, changed) => {
    if (changed.has("plan")) follow();
  });
  const note = h("p", { class: "quiet" }, "Searches the left and the right side apart, both sides with one entry each, and lays out a midline laminectomy as a reference; the target is both recesses.");
  return h("section", { class: "ways", "aria-label": "Ways in" }, h("h2", {}, "Left, right, both sides, midline"), note, efforts.element, doing.element, results);
}

function resultOf(desk: Desk, ways: Ways, pin: (name: string, plan: Plan) => void): HTMLElement {
  const heads = ["way in", "bone, mm\u00b3 (95 %)", "more than the least (95 %)", "left joint kept", "right joint kept", "canal after, mm\u00b2", "targets touched", "succeeds by hand"];
  const table = tableOf(`${ways.level}: each on the best plan found`, heads, ways.rows.map(cellsOf));
  table.tHead?.rows[0]?.append(h("th", { scope: "col" }, "plan"));
  ways.rows.forEach((way, place) => table.tBodies[0]?.rows[place]?.append(h("td", { class: "row-buttons" }, ...buttonsOf(desk, way, pin))));
  const stopped = ways.stopped ? "! Stopped early: the best of what was looked at until then. " : "";
  return h("div", {}, h("p", {}, `${stopped}${written(ways.conclusion)}`), h("div", { class: "scrolls", tabindex: "0", role: "region", "aria-label": "Table of the ways in" }, table));
}

function cellsOf(way: Way): string[] {
  return [
    way.name, withInterval(number(way.bone_removed_mm3, 0), way.interval95), moreOf(way),
    percent(way.facet_left_frac), percent(way.facet_right_frac), number(way.canal_area_after_mm2, 0),
    way.reached_frac === null ? "open" : percent(way.reached_frac), way.by_hand ? chanceWords(way.by_hand.both) : "\u2013",
  ];
}

function moreOf({ more_than_least: more }: Way): string {
  if (more.bone_removed_mm3 === 0) return "the least";
  const told = `${number(more.bone_removed_mm3, 0)} (${number(more.interval95[0], 0)} to ${number(more.interval95[1], 0)})`;
  return more.tie ? `a tie, ${told}` : told;
}

function buttonsOf(desk: Desk, way: Way, pin: (name: string, plan: Plan) => void): HTMLElement[] {
  const [only, other] = way.plans;
  if (!only) return [h("span", { class: "quiet" }, "no channel")];
  if (other) {
    return way.plans.map((half) => button(`Show ${half.side} half`, () => desk.store.choose(half)));
  }
  return [
    button("Show", () => desk.store.choose(only), { "aria-label": `Show the best plan from the ${way.name}` }),
    button("Pin", () => pin(`best ${way.name}`, only), { "aria-label": `Pin the best plan from the ${way.name}` }),
  ];
}
