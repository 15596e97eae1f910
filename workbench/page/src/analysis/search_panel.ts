// The panel of the search for better plans: its form, its progress, and what it found as cards and points.

import type { Context, PanelPart } from "../session/context";
import { EFFORT_CHOICES, fold, freshId, h, keptChoice, setText, checkbox } from "../dom/elements";
import { pareto } from "./pareto_chart";
import { written } from "../dom/data_table";
import type { SearchPick, SearchResult } from "../protocol/comparisons";
import type { Interval95, Side } from "../protocol/plan";
import { areaWords, notFreedWords, outcomeOf, outcomeWords } from "../model/freed_words";
import { same } from "../model/store";
import { sizesOf } from "../model/plan_edit";
import { chanceWords, joined, number, percent, withInterval } from "../model/number_format";
import { progressButton } from "../session/progress_button";

/** Approaches looked at. */
const EFFORTS = { quick: 400, thorough: 1_600 } as const;

/** Executions that the chance of a pick rests on (estimator/execution/uncertainty_values.py). */
const EXECUTIONS = 40;

/** How much of the canal is to be freed. */
const BREADTHS = ["central", "with recesses", "with foramen"] as const;
type Breadth = (typeof BREADTHS)[number];

export const searchPanel: PanelPart = (root, context) => {
  const { store } = context;
  const form = formOf(context);
  const results = h("div", { class: "found" });
  const doing = progressButton(context, "Search", "search", () => void ask());
  const note = h("p", { class: "quiet" });
  root.append(
    h("div", { class: "search-frame" }, h("div", { class: "search-form" }, form.element, note, doing.element), results),
  );
  let found: SearchResult | null = null;
  let follow: (() => void) | null = null;

  async function ask(): Promise<void> {
    const level = store.state.plan.level;
    const answer = await doing.run({ ask: "search", level, ...form.settings() });
    if (!answer) return;
    found = answer;
    const shown = foundFace(context, answer);
    results.replaceChildren(shown.element);
    results.scrollIntoView({ block: "start" });
    follow = shown.follow;
    check();
  }

  function check(): void {
    const wrong = form.wrong();
    doing.start.disabled = doing.busy || wrong !== "";
    setText(
      note,
      wrong ||
        `Looks for the plan at ${store.state.plan.level} that frees enough for the least bone within every limit.`,
    );
    const other = found !== null && found.level !== store.state.plan.level;
    results.classList.toggle("stale", other);
    if (!other) follow?.();
  }

  form.changed(check);
  store.subscribe((_, changed) => {
    if (changed.has("plan")) {
      form.show();
      check();
    }
  });
  check();
};

interface SearchForm {
  element: HTMLElement;
  settings(): { sides: Side[]; instruments: string[]; breadth: string; budget: number; seed: number };
  /** What is missing, "" when it can be searched. */
  wrong(): string;
  changed(listener: () => void): void;
  show(): void;
}

function formOf({ store }: Context): SearchForm {
  const { facts } = store.state;
  let notify: () => void = () => undefined;
  const changed = () => notify();
  const sides = ticks(
    "From",
    [
      ["left", "left"],
      ["right", "right"],
    ],
    ["left", "right"],
    changed,
  );
  const classes = ticks(
    "Sleeve / scope / tool",
    facts.instruments.map(({ name, channel }) => [name, `${sizesOf(channel)} mm`]),
    [facts.instruments[0]?.name ?? ""],
    changed,
  );
  const breadth = keptChoice<Breadth>(
    "To be freed",
    BREADTHS.map((name) => [name, name] as const),
    "with recesses",
  );
  const effort = keptChoice("How long", EFFORT_CHOICES, "quick");
  const id = freshId("seed");
  const seed = h("input", { type: "number", id, min: "0", max: "999999", step: "1", value: "0", oninput: changed });
  const seedField = h("div", { class: "field seed" }, h("label", { for: id }, "Seed of the random numbers"), seed);
  const here = () => facts.levels.find((level) => level.name === store.state.plan.level)?.sides ?? [];
  const show = () => sides.allow(here());
  show();
  return {
    element: h(
      "div",
      { class: "search-choices" },
      sides.element,
      effort.element,
      breadth.element,
      fold("Instruments, seed", false, classes.element, seedField),
    ),
    settings: () => ({
      sides: sides.chosen().filter((side) => here().includes(side as Side)) as Side[],
      instruments: classes.chosen(),
      breadth: breadth.value(),
      budget: EFFORTS[effort.value()],
      seed: seed.valueAsNumber,
    }),
    wrong: () => {
      if (!sides.chosen().some((side) => here().includes(side as Side))) return "! Choose a side to search from.";
      if (!classes.chosen().length) return "! Choose an instrument.";
      return Number.isInteger(seed.valueAsNumber) && seed.valueAsNumber >= 0
        ? ""
        : "! The seed must be a whole number of 0 or more.";
    },
    changed: (listener) => {
      notify = listener;
    },
    show,
  };
}

interface CheckboxGroup {
  element: HTMLElement;
  chosen(): string[];
  allow(names: readonly string[]): void;
}

function ticks(
  legend: string,
  options: readonly (readonly [string, string])[],
  on: readonly string[],
  changed: () => void,
): CheckboxGroup {
  const chosen = new Set(on);
  const made = options.map(([name, words]) => {
    const one = checkbox(words, (ticked) => {
      if (ticked) chosen.add(name);
      else chosen.delete(name);
      changed();
    });
    one.show(chosen.has(name));
    return [name, one.element] as const;
  });
  return {
    element: h(
      "fieldset",
      { class: "choice ticks-choice" },
      h("legend", {}, legend),
      ...made.map(([, element]) => element),
    ),
    chosen: () => options.map(([name]) => name).filter((name) => chosen.has(name)),
    allow: (names) => {
      for (const [name, element] of made)
        for (const input of element.querySelectorAll("input")) input.disabled = !names.includes(name);
    },
  };
}

/** The picks as cards, and all that none beats as points to look through. */
function foundFace(context: Context, found: SearchResult): { element: HTMLElement; follow(): void } {
  const picks: [string, string, SearchPick | null][] = [
    ["B", "least bone", found.best],
    ["L", "likeliest as executed", found.robust],
    ["N", "next best", found.runner_up],
  ];
  const cards = picks.flatMap(([letter, words, pick]) => (pick ? [cardOf(context, letter, words, pick)] : []));
  const points = pareto(
    context,
    found,
    picks.flatMap(([letter, , pick]) => (pick ? [{ letter, pick }] : [])),
  );
  const stopped = found.stopped ? "! Stopped early: the best of what was looked at until then. " : "";
  const short = notFreedWords(picks.flatMap(([, name, pick]) => (pick ? [{ name, verdict: pick.verdict }] : [])));
  const head = h("p", {}, `${short}${stopped}${written(found.reason)}`);
  const note = h(
    "p",
    { class: "quiet" },
    `${found.level}, ${number(found.evaluated, 0)} approaches looked at; to be freed: ${found.breadth}. What is shown can be undone.`,
  );
  const element = h(
    "div",
    {},
    h("h2", {}, "Found"),
    h("div", { class: "cards" }, ...cards.map((card) => card.element)),
    head,
    points.element,
    note,
  );
  return {
    element,
    follow: () => {
      for (const card of cards) card.follow();
      points.follow();
    },
  };
}

function cardOf(
  context: Context,
  letter: string,
  words: string,
  pick: SearchPick,
): { element: HTMLElement; follow(): void } {
  const show = h(
    "button",
    { type: "button", onclick: () => context.store.choose(pick.approach), "aria-label": `Show this plan: ${words}` },
    "Show this plan",
  );
  const mark = h("span", { class: "shown-mark", hidden: true }, "shown");
  const rows = factsOf(pick).map(([name, value]) => h("div", {}, h("dt", {}, name), h("dd", {}, value)));
  const heading = h("h3", {}, h("span", { class: "letter-mark", "aria-hidden": "true" }, letter), words, mark);
  const outcome = h(
    "p",
    { class: "card-outcome" },
    h("strong", {}, outcomeWords(pick.verdict, pick.as_executed.both)),
    " ",
    pick.verdict?.sentence ?? "",
  );
  outcome.dataset["outcome"] = outcomeOf(pick.verdict, pick.as_executed.both);
  const element = h("article", { class: "card" }, heading, outcome, show, h("dl", {}, ...rows));
  return {
    element,
    follow: () => {
      const shown = same(context.store.state.plan, pick.approach);
      mark.hidden = !shown;
      element.classList.toggle("shown", shown);
      show.setAttribute("aria-pressed", String(shown));
    },
  };
}

function factsOf(pick: SearchPick): [string, string][] {
  const { resection } = pick.bone_removed_mm3;
  const bone = (bone: { total: number; interval95: Interval95 }) =>
    withInterval(`${number(bone.total, 0)} mm\u00b3`, bone.interval95);
  const kept = (["ipsilateral", "contralateral"] as const).map((relation) => percent(pick.facet_area_frac[relation]));
  const broken = pick.limits_broken.length ? `! broken: ${joined(pick.limits_broken)}` : "all kept";
  const tilts = pick.approach.phases.map((phase) => `${number(phase.medial_tilt_deg)}\u00b0`).join(" then ");
  return [
    ["chance freed and kept", chanceWords(pick.as_executed.both, EXECUTIONS)],
    ["free canal", areaWords(pick.freed?.least_area_mm2) || "not known"],
    ["freed, side freed less", percent(pick.freed_frac)],
    ["bone to remove", bone(resection)],
    ["joints kept, ipsilateral, contralateral", kept.join(", ")],
    ["limits", broken],
    [
      "entry",
      `${pick.approach.side}, ${number(pick.skin_entry.lateral_mm, 0)} mm lateral${pick.skin_entry.at === "skin" ? "" : " (at the pivot)"}`,
    ],
    ["medial tilt", tilts],
    ["sleeve / scope / tool", `${sizesOf(pick.approach.channel)} mm`],
  ];
}
