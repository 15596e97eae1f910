// A map of skin entries: the least bone for each that reaches what is wanted within the limits; choosing one moves the plan.

import { BONE_SHADES } from "../pictures/hues.generated";
import type { EntryMap } from "../protocol/charts";
import type { MaybeNumber } from "../protocol/plan";
import { chartTable } from "../dom/data_table";
import type { Context } from "../session/context";
import { h, setText } from "../dom/elements";
import { placedPhases } from "../model/channel_geometry";
import type { Plan } from "../protocol/plan";
import { same, type State } from "../model/store";
import { amount, joined, number, percent } from "../model/number_format";
import { progressButton } from "../session/progress_button";

/** Light to dark, told apart in grey print too: of the map's bone from the least to the most. */
const SHADES = BONE_SHADES;

/** From this shade on cells carry light figures. */
const DARK = 4;

/** A millimetre's share to which a plan's held parts are the same. */
const SAME = 10;

type MapCell = readonly [number, number];

export function entryMap(context: Context): HTMLElement {
  const { store } = context;
  const doing = progressButton(context, "Work out the entry map", "entry_map", () => void ask());
  const note = h(
    "p",
    { class: "quiet" },
    "The least bone that frees enough within the limits, for each place on the skin: some seconds of work.",
  );
  const readout = h("p", { class: "readout", "aria-live": "polite" });
  const grid = h("div", { role: "grid", onkeydown: (event) => walk(event as KeyboardEvent) });
  const above = h("div", { class: "entry-ends" });
  const drawing = h("div", { class: "entry-grid", hidden: true }, above, grid);
  const key = h("ul", { class: "chart-key" });
  const table = chartTable("The map as a table");
  const element = h(
    "section",
    { class: "chart entry", "aria-label": "Entry map" },
    doing.element,
    note,
    readout,
    drawing,
    key,
    table.element,
  );
  table.element.hidden = true;
  let map: EntryMap | null = null;
  let held = "";
  let cursor: MapCell = [0, 0];

  async function ask(): Promise<void> {
    const { plan, task } = store.state;
    const answer = await doing.run({ ask: "entry_map", plan, task });
    if (!answer) return;
    [map, held] = [answer, heldParts(plan, task)];
    cursor = answer.best_place ?? [Math.floor(answer.cranial_mm.length / 2), 0];
    setText(doing.start, "Work out anew");
    note.hidden = true;
    draw();
  }

  function draw(): void {
    if (!map) return;
    const chart = map;
    drawing.hidden = table.element.hidden = false;
    const columns = chart.lateral_mm.map((_, column) => column);
    if (mirrored(chart)) columns.reverse();
    const rows = chart.cranial_mm.map((_, row) => row).reverse();
    grid.setAttribute(
      "aria-label",
      `Skin entries of ${chart.level} from the ${chart.side}; arrow keys move, Enter chooses`,
    );
    above.replaceChildren(...ends(chart, columns).map((words) => h("span", {}, words)));
    grid.replaceChildren(...rows.map((row) => rowOf(chart, row, columns)), foot(chart, columns));
    keyed(key, chart);
    table.fill(`${chart.level}, ${chart.side}: bone for each skin entry, mm\u00b3`, ...asRows(chart));
    marked();
  }

  /** As in theatre, from dorsal with the head up, the patient's left lies left; as radiologists read, right. */
  const mirrored = (chart: EntryMap): boolean => (chart.side === "left") === (store.state.looks.turned === "theatre");

  function rowOf(chart: EntryMap, row: number, columns: number[]): HTMLElement {
    const label = h("span", { role: "rowheader", class: "entry-label" }, number(chart.cranial_mm[row], 0));
    return h("div", { role: "row", class: "entry-row" }, label, ...columns.map((column) => cell(chart, [row, column])));
  }

  function cell(chart: EntryMap, place: MapCell): HTMLElement {
    const made = h(
      "span",
      {
        role: "gridcell",
        class: "entry-cell",
        tabindex: "-1",
        "data-place": place.join(),
        "aria-label": cellWords(chart, place),
        onclick: () => choose(place),
        onfocus: () => moveTo(place),
      },
      h("span", { class: "figure" }, figure(chart, place)),
    );
    const [bone, reason] = [at(chart.bone_mm3, place), chart.reason[place[0]]?.[place[1]] ?? -1];
    if (bone === null) made.classList.add("failing", `hatch-${reason % 6}`);
    else {
      const shade = shadeOf(chart, bone);
      made.style.backgroundColor = SHADES[shade] ?? "";
      made.classList.toggle("dark", shade >= DARK);
    }
    made.classList.toggle("least", same(place, chart.best_place));
    return made;
  }

  function moveTo(place: MapCell): void {
    cursor = place;
    marked();
  }

  /** The cell under the cursor, the plan's own, and whether the map still belongs to the plan. */
  function marked(): void {
    if (!map) return;
    const stale = heldParts(store.state.plan, store.state.task) !== held;
    element.classList.toggle("stale", stale);
    const own = planPlace(map, store.state);
    for (const each of grid.querySelectorAll<HTMLElement>("[role=gridcell]")) {
      const place = each.dataset["place"];
      each.tabIndex = place === cursor.join() ? 0 : -1;
      each.classList.toggle("plan", place === own?.join());
      each.setAttribute("aria-selected", String(place === own?.join()));
    }
    setText(
      readout,
      stale
        ? "! Worked out for another plan: side, depth of the pivot, instrument or targets have changed since."
        : cellWords(map, cursor),
    );
  }

  function choose(place: MapCell): void {
    const plan = map?.plans[place[0]]?.[place[1]];
    moveTo(place);
    if (plan && heldParts(store.state.plan, store.state.task) === held) store.choose(plan);
  }

  function walk(event: KeyboardEvent): void {
    if (!map || event.ctrlKey || event.metaKey || event.altKey) return;
    const across = mirrored(map) ? -1 : 1;
    const steps: Record<string, MapCell> = {
      ArrowUp: [1, 0],
      ArrowDown: [-1, 0],
      ArrowRight: [0, across],
      ArrowLeft: [0, -across],
    };
    const step = steps[event.key];
    if (event.key === "Enter" || event.key === " ") choose(cursor);
    else if (!step) return;
    else {
      const next: MapCell = [
        within(cursor[0] + step[0], map.cranial_mm.length),
        within(cursor[1] + step[1], map.lateral_mm.length),
      ];
      grid.querySelector<HTMLElement>(`[data-place="${next.join()}"]`)?.focus();
    }
    event.preventDefault();
  }

  store.subscribe((_, changed) => {
    if (changed.has("looks")) draw();
    else if (["plan", "task", "answer", "fresh"].some((name) => changed.has(name as "plan"))) marked();
  });
  return element;
}

const within = (place: number, count: number): number => Math.min(Math.max(place, 0), count - 1);

const at = (values: MaybeNumber[][], [row, column]: MapCell): MaybeNumber => values[row]?.[column] ?? null;

function shadeOf(chart: EntryMap, bone: number): number {
  const known = chart.bone_mm3.flat().filter((each): each is number => each !== null);
  const [least, most] = [Math.min(...known), Math.max(...known)];
  return Math.min(Math.floor(((bone - least) / Math.max(most - least, 1)) * SHADES.length), SHADES.length - 1);
}

/** Bone where an entry succeeds; else what is freed on the side freed less. */
function figure(chart: EntryMap, place: MapCell): string {
  const [bone, share] = [at(chart.bone_mm3, place), at(chart.reached_frac, place)];
  return bone !== null ? number(bone, 0) : share !== null ? percent(share).replace(" ", "") : "";
}

function whereWords(chart: EntryMap, [row, column]: MapCell): string {
  const cranial = chart.cranial_mm[row] ?? 0;
  return `${number(chart.lateral_mm[column], 0)} mm lateral of the midline, ${number(Math.abs(cranial), 0)} mm ${cranial >= 0 ? "cranial" : "caudal"} of the ${chart.landmark}`;
}

function cellWords(chart: EntryMap, place: MapCell): string {
  const [bone, share, taken] = [chart.bone_mm3, chart.reached_frac, chart.reached_bone_mm3].map((each) =>
    at(each, place),
  );
  const where = whereWords(chart, place);
  if (bone !== null && bone !== undefined) {
    const kept = (["ipsilateral", "contralateral"] as const).map(
      (relation) => `${percent(at(chart.facet_area_frac[relation], place))} ${relation}`,
    );
    return `${where}: ${amount(bone, "mm3", 0)} of bone, joints kept ${joined(kept)}.`;
  }
  const reason = chart.reasons[chart.reason[place[0]]?.[place[1]] ?? -1] ?? "not known";
  const best =
    share === null || share === undefined
      ? "nothing is freed"
      : `at best ${percent(share)} is freed on the side freed less${taken === null || taken === undefined ? "" : `, for ${amount(taken, "mm3", 0)}`}`;
  return `${where}: not possible (${reason}); within the limits ${best}.`;
}

/** The plan's own cell: that of the approach the map was made of, else the one its entry lies in, as far as known. */
function planPlace(chart: EntryMap, { plan, answer, fresh }: State): MapCell | null {
  for (const [row, plans] of chart.plans.entries()) {
    const column = plans.findIndex((each) => same(each, plan));
    if (column >= 0) return [row, column];
  }
  const entry = answer?.estimate.skin_entry;
  if (!fresh || !entry || entry.at !== chart.at) return null;
  const [row, column] = [cellOf(chart.cranial_mm, entry.cranial_mm), cellOf(chart.lateral_mm, entry.lateral_mm)];
  return row < 0 || column < 0 ? null : [row, column];
}

function cellOf(centres: readonly number[], value: number): number {
  const half = Math.abs((centres[1] ?? 0) - (centres[0] ?? 0)) / 2;
  return centres.findIndex((centre) => Math.abs(centre - value) <= half);
}

/** What the map holds of a plan, coarse enough for rounding: another of it needs another map. */
function heldParts(plan: Plan, task: string[]): string {
  const coarse = (value: number) => Math.round(value * SAME);
  const [near, ...others] = placedPhases(plan);
  const apart = others.map(({ pivot }) => pivot.map((value, axis) => coarse(value - (near?.pivot[axis] ?? 0))));
  const depths = [near?.pivot[1] ?? 0, plan.docking_point_mm[1]].map(coarse);
  return JSON.stringify([plan.level, plan.side, plan.channel, depths, apart, task]);
}

/** What lies left and right of the map, and cranial in the middle above it. */
function ends(chart: EntryMap, columns: number[]): string[] {
  return columns[0] === 0 ? ["midline", "Cr", letter(chart)] : [letter(chart), "Cr", "midline"];
}

const letter = (chart: EntryMap): string => (chart.side === "left" ? "L" : "R");

function foot(chart: EntryMap, columns: number[]): HTMLElement {
  const labels = columns.map((column) =>
    h("span", { role: "columnheader", class: "entry-label" }, number(chart.lateral_mm[column], 0)),
  );
  return h(
    "div",
    { role: "row", class: "entry-row entry-foot" },
    h("span", { role: "columnheader", class: "entry-label direction" }, "Ca"),
    ...labels,
  );
}

function keyed(list: HTMLElement, chart: EntryMap): void {
  const known = chart.bone_mm3.flat().filter((each): each is number => each !== null);
  const swatch = (kind: string, shade = "") => {
    const made = h("span", { class: `swatch ${kind}`, "aria-hidden": "true" });
    made.style.backgroundColor = shade;
    return made;
  };
  const scale = known.length
    ? [
        h("li", {}, swatch("", SHADES[0]), `${number(Math.min(...known), 0)} mm\u00b3`),
        h("li", {}, swatch("", SHADES.at(-1)), `${number(Math.max(...known), 0)} mm\u00b3 of bone`),
      ]
    : [h("li", {}, "No entry succeeds.")];
  const reasons = chart.reasons.map((reason, index) => h("li", {}, swatch(`failing hatch-${index % 6}`), reason));
  const marks = [
    h("li", {}, swatch("least"), "least bone"),
    h("li", {}, swatch("plan"), "the plan's entry"),
    h("li", {}, "%: not possible; share freed on the side freed less"),
  ];
  const axes = h(
    "li",
    {},
    `across: mm lateral of the midline; up: mm cranial of the ${chart.landmark}${chart.at === "pivot" ? "; given at the pivot, as no skin is in view" : ""}`,
  );
  list.replaceChildren(...scale, ...marks, ...reasons, axes);
}

function asRows(chart: EntryMap): [string[], string[][]] {
  const heads = ["cranial, mm", ...chart.lateral_mm.map((mm) => `${number(mm, 0)} mm lateral`)];
  const rows = chart.cranial_mm.map((mm, row) => [
    number(mm, 0),
    ...chart.lateral_mm.map(
      (_, column) => figure(chart, [row, column]) || (chart.reasons[chart.reason[row]?.[column] ?? -1] ?? ""),
    ),
  ]);
  return [heads, rows.reverse()];
}
