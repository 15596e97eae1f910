// The column of numbers: headline tiles, then every limit, target, chance, source and definition.
// All of them come from the server's estimator and are greyed until they belong to the plan on the picture.

import type { Context, Part } from "../session/context";
import { button, type Child, fold, h, setText } from "../dom/elements";
import type { Estimate, EstimateAnswer, Resection, Verdict } from "../protocol/estimate";
import { isConfirmed, type State } from "../model/store";
import { summary, headlineTiles } from "./headline_tiles";
import { limitsOf } from "../model/freed_words";
import { amount } from "../model/number_format";
import { PHRASES } from "../model/phrases.generated";
import { chanceLine, hasIntervals, headlineRows, reachLine, taskRows, verdictRow } from "../model/estimate_rows";

export const numbersPanel: Part = (root, context) => {
  const { store } = context;
  const shown = figures();
  const gate = gated(context);
  const live = h("p", { class: "unseen", "aria-live": "polite", id: "numbers-announced" });
  root.append(h("h2", {}, "Numbers"), gate.element, shown.element, live);
  const show = (state: State) => {
    const open = gate.show(state);
    shown.element.hidden = !open;
    if (!open) {
      setText(live, "");
      return;
    }
    shown.show(state);
    const rested = state.fresh && !state.moving && state.answer;
    // announced once the numbers have come to rest, so that a drag is not read out
    if (rested && hasIntervals(rested.estimate) && !state.executions) setText(live, summary(rested.estimate));
  };
  store.subscribe((state, changed) => {
    if (
      ["answer", "fresh", "executions", "moving", "confirmed", "blind", "plan"].some((key) =>
        changed.has(key as keyof State),
      )
    )
      show(state);
  });
  show(store.state);
};

/** What stands in the place of the numbers while they may not be seen. */
function gated({ store }: Context) {
  const words = h("p", {});
  const confirm = button("Confirm level and side", () => document.getElementById("level-badge")?.click(), {
    class: "primary",
  });
  const reveal = button("Show the numbers", () => store.set({ blind: false }), { class: "primary", id: "reveal" });
  const element = h("div", { class: "gate" }, words, confirm, reveal);
  return {
    element,
    show(state: State): boolean {
      const confirmed = isConfirmed(state);
      const unknown = state.answer === null;
      const open = confirmed && !state.blind && !unknown;
      element.hidden = open;
      confirm.hidden = confirmed;
      reveal.hidden = !confirmed || !state.blind;
      setText(
        words,
        !confirmed
          ? `${state.plan.level} ${state.plan.side} is not confirmed yet. Its numbers are shown once it is.`
          : state.blind
            ? "Blind: plan first, then look at the numbers."
            : "Being worked out \u2026",
      );
      return open;
    },
  };
}

function figures() {
  const head = headlineTiles();
  const headline = figureTable("headline", "Bone and joints, with 95 % intervals", ["", "task", "whole sweep"]);
  const limits = figureTable("limits", "Limits", PHRASES.limitColumns);
  const swept = figureTable("sweep-limits", "Limits, whole sweep", PHRASES.limitColumns);
  const steps = figureTable("steps", "Steps", ["", "bone", "area gained"]);
  const targets = figureTable("task", "What is to be touched", ["", "touched", "chance of enough"]);
  const [reach, chance] = [h("p", { id: "reach-line" }), h("p", { id: "chance-line" })];
  const [sources, warnings] = [h("dl", { class: "sources" }), h("ul", { class: "warnings" })];
  const element = h(
    "div",
    { class: "figures" },
    head.element,
    fold("Every limit", false, limits.element),
    fold("Step by step", false, steps.element),
    fold("What is touched", false, targets.element, reach, chance),
    fold("Task and whole sweep", false, headline.element, swept.element),
    fold("Warnings", false, warnings),
    fold("Where it comes from", false, sources),
    fold("What the numbers mean", false, definitions()),
  );
  return {
    element,
    show({ answer, fresh }: State): void {
      element.classList.toggle("stale", !fresh);
      element.setAttribute("aria-busy", String(!fresh));
      if (!answer) return;
      const { estimate } = answer;
      head.show(answer, fresh);
      headline.show(headlineRows(estimate));
      // during a drag the limits of the last resection stay, greyed with all the rest
      const judged = estimate.resection !== undefined;
      if (judged) showLimits(limits, limitsOf(estimate), estimate.resection ? estimate.chances.executions : undefined);
      showLimits(swept, estimate.verdicts);
      if (estimate.resection) steps.show(estimate.resection.steps.map(stepRow));
      targets.show(taskRows(estimate));
      setText(reach, reachLine(estimate));
      setText(chance, chanceLine(estimate));
      fillSources(sources, answer);
      warnings.replaceChildren(...estimate.warnings.map((words) => h("li", {}, words)));
    },
  };
}

type FigureTable = ReturnType<typeof figureTable>;

const showLimits = (table: FigureTable, limits: readonly Verdict[], samples?: number): void =>
  table.show(
    limits.map((limit) => verdictRow(limit, samples)),
    limits.map((limit) => limit.met === false),
  );

const stepRow = (step: Resection["steps"][number]): string[] => [
  step.name,
  amount(step.bone_mm3, "mm3", 0),
  amount(step.area_gained_mm2, "mm2", 0),
];

/** A table whose rows are made anew only when they differ. */
function figureTable(name: string, caption: string, columns: readonly string[]) {
  const body = h("tbody", {});
  let shown = "";
  const heads = columns.map((words) => (words ? h("th", { scope: "col" }, words) : h("td", {})));
  const element = h(
    "table",
    { id: `table-${name}` },
    h("caption", { class: "unseen" }, caption),
    h("thead", {}, h("tr", {}, ...heads)),
    body,
  );
  return {
    element,
    show(rows: readonly (readonly string[])[], marked: boolean[] = []): void {
      const key = JSON.stringify([rows, marked]);
      if (key === shown) return;
      shown = key;
      body.replaceChildren(
        ...rows.map(([first, ...rest], index) =>
          h(
            "tr",
            { class: marked[index] ? "breached" : undefined },
            h("th", { scope: "row" }, first ?? ""),
            ...rest.map((words) => h("td", {}, words)),
          ),
        ),
      );
    },
  };
}

const FROM: Record<string, string> = {
  sac: "dural sac",
  flavum: "ligamentum flavum",
  parts: "parts of the arches",
  levels: "level names",
};

function fillSources(list: HTMLElement, { estimate, took_s }: EstimateAnswer): void {
  const rows = Object.entries(estimate.sources).map(([name, source]) => [FROM[name] ?? name, source] as const);
  const limits = estimate.verdicts.map(
    ({ name, source, evidence }) =>
      [name, `${source} (${(PHRASES.evidence as Record<string, string>)[evidence] ?? evidence})`] as const,
  );
  const took = [["worked out in", `${(1000 * took_s).toFixed(0)} ms`]] as const;
  const entries: Child[] = [...rows, ...limits, ...took].flatMap(([name, source]) => [
    h("dt", {}, name),
    h("dd", {}, source),
  ]);
  if (list.dataset["shown"] === keyOf(estimate)) return;
  list.dataset["shown"] = keyOf(estimate);
  list.replaceChildren(...entries.filter((child) => child !== null));
}

const keyOf = (estimate: Estimate): string => JSON.stringify([estimate.level, estimate.samples, estimate.sources]);

const DEFINITIONS: readonly (readonly [string, string])[] = [
  [
    "bone to remove",
    "The resection: the least bone, dearer where a joint or the pars is concerned, whose removal lets the tool take all that presses and can be reached. Verdict, tiles, limits and pictures speak of it.",
  ],
  [
    "freed",
    "Share of what stands in the room that sac and roots need - ligament, calcification, overhanging bone - that is taken, by side.",
  ],
  [
    "task",
    "Only the bone that must go so that a straight, rigid tool from the pivot can touch every requested point that it can reach.",
  ],
  [
    "whole sweep",
    "All removable bone in the cone through which the channel is swept: what careless sweeping would cost. Its limits are held against the worse of task and sweep.",
  ],
  ["facet kept", "Share of the joint's surface, and of its width in the slice at disc level, that stays."],
  ["pars", "Least width of bone remaining across the pars on either side."],
  ["spinous bridge", "Least bone remaining between the two sides under the spinous process."],
  ["reach", "Farthest point past the midline, at disc level, that the tool's tip can touch on the other side."],
  [
    "canal area",
    "Free area inside bone at disc level, less ligament. Afterwards the sac is taken to fill what is freed: an upper bound.",
  ],
  [
    "skin entry",
    "Where the first phase's axis meets the skin: beside the midline, and cranial or caudal of the lower edge of the upper lamina.",
  ],
  [
    "95 % interval",
    "From errors of the borders in the scan and of execution: entry, tilt, depth, registration. Their sizes are assumptions.",
  ],
];

const definitions = (): HTMLElement =>
  h("dl", { class: "sources" }, ...DEFINITIONS.flatMap(([name, words]) => [h("dt", {}, name), h("dd", {}, words)]));
