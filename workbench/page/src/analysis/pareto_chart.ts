// The approaches of which none frees more for less bone, as points to look through one by one.

import { KEPT_SHADES } from "../pictures/hues.generated";
import { chartTable } from "../dom/data_table";
import type { Context } from "../session/context";
import { freshId, h, setText } from "../dom/elements";
import type { ParetoCandidate, SearchPick, SearchResult } from "../protocol/comparisons";
import { sizesOf } from "../model/plan_edit";
import { same } from "../model/store";
import { axisBelow, axisLeft, onWidth, roundUp, s, scale, ticks, words } from "../dom/svg_chart";
import { number, percent } from "../model/number_format";

const [LEFT, RIGHT, TOP, BELOW, HEIGHT] = [48, 24, 30, 42, 250];

/** Radii of the least and of the whole joint kept. */
const [SMALL_PX, LARGE_PX] = [4, 9];

/** Light to dark: of the joint that keeps least, from half to all of it. */
const SHADES = KEPT_SHADES;

export interface ParetoView {
  element: HTMLElement;
  follow(): void;
}

export function pareto(
  context: Context,
  found: SearchResult,
  picks: readonly { letter: string; pick: SearchPick }[],
): ParetoView {
  const { store } = context;
  const drawing = s("svg", { role: "presentation", height: HEIGHT });
  const stage = h(
    "div",
    {
      class: "scatter",
      role: "listbox",
      tabindex: "0",
      "aria-label":
        "Approaches that none beats, from the least bone to the most; arrow keys move, Enter shows the plan",
      onkeydown: (event) => walk(event as KeyboardEvent),
      onfocus: () => setText(readout, wordsOf(found.pareto[cursor])),
    },
    drawing,
  );
  // a search that ended before any plan kept all limits has no front: a list of nothing would only puzzle
  stage.hidden = !found.pareto.length;
  const readout = h("p", { class: "readout", "aria-live": "polite" });
  const table = chartTable("The approaches as a table");
  const key = h(
    "p",
    { class: "quiet" },
    "Each mark is one approach: a circle from the left, a square from the right; the larger and darker, the more of both joints it keeps. Letters are those of the cards.",
  );
  const prefix = freshId("point");
  let cursor = 0;
  let width = 0;
  table.fill(
    `${found.level}: approaches that none beats`,
    ["bone, mm\u00b3", "freed", "least joint kept", "side", "sleeve / scope / tool, mm"],
    found.pareto.map((each) => [
      number(each.bone_removed_mm3, 0),
      percent(each.freed_frac),
      each.least_facet_kept_frac === null ? "not known" : percent(each.least_facet_kept_frac),
      each.approach.side,
      sizesOf(each.approach.channel),
    ]),
  );

  function draw(): void {
    if (!width) return;
    const [least, most] = ends(
      found.pareto.map((each) => each.bone_removed_mm3),
      picks.map(({ pick }) => pick.bone_removed_mm3.resection.total),
    );
    const shares = found.pareto.map((each) => 100 * each.freed_frac);
    const lowest = Math.max(0, 10 * Math.floor((Math.min(100, ...shares) - 5) / 10));
    const x = scale(roundDown(least), roundUp(most * 1.02), LEFT, width - RIGHT);
    const y = scale(lowest, 100, HEIGHT - BELOW, TOP);
    drawing.setAttribute("viewBox", `0 0 ${width} ${HEIGHT}`);
    drawing.replaceChildren(
      axisLeft(y, x, "freed, %"),
      axisBelow(x, y.from, "bone to remove, mm\u00b3"),
      ...found.pareto.map((each, place) => mark(each, place, x.at(each.bone_removed_mm3), y.at(100 * each.freed_frac))),
      ...picks.map(({ letter, pick }) =>
        words(letter, x.at(pick.bone_removed_mm3.resection.total) + LARGE_PX + 3, y.at(100 * pick.freed_frac) + 5, {
          class: "pick",
          "aria-hidden": "true",
        }),
      ),
    );
    follow();
  }

  function mark(each: ParetoCandidate, place: number, x: number, y: number): SVGElement {
    const kept = Math.min(Math.max(2 * (each.least_facet_kept_frac ?? 1) - 1, 0), 1);
    const radius = SMALL_PX + kept * (LARGE_PX - SMALL_PX);
    const fill = SHADES[Math.min(Math.floor(kept * SHADES.length), SHADES.length - 1)];
    const shape =
      each.approach.side === "left"
        ? s("circle", { cx: x, cy: y, r: radius, fill })
        : s("rect", { x: x - radius, y: y - radius, width: 2 * radius, height: 2 * radius, fill });
    const made = s(
      "g",
      { class: "point", role: "option", id: `${prefix}-${place}`, "aria-label": wordsOf(each) },
      s("circle", { class: "target", cx: x, cy: y, r: 12 }),
      shape,
    );
    made.addEventListener("click", () => {
      cursor = place;
      choose();
    });
    return made;
  }

  function walk(event: KeyboardEvent): void {
    const last = found.pareto.length - 1;
    const to = {
      ArrowRight: cursor + 1,
      ArrowDown: cursor + 1,
      ArrowLeft: cursor - 1,
      ArrowUp: cursor - 1,
      Home: 0,
      End: last,
    }[event.key];
    if (event.key === "Enter" || event.key === " ") choose();
    else if (to === undefined) return;
    else {
      cursor = Math.min(Math.max(to, 0), last);
      follow();
      setText(readout, wordsOf(found.pareto[cursor]));
    }
    event.preventDefault();
  }

  function choose(): void {
    const one = found.pareto[cursor];
    if (!one) return;
    store.choose(one.approach);
    setText(readout, `${wordsOf(one)} Shown.`);
  }

  function follow(): void {
    stage.setAttribute("aria-activedescendant", `${prefix}-${cursor}`);
    drawing.querySelectorAll(".point").forEach((point, place) => {
      point.classList.toggle("cursor", place === cursor);
      point.setAttribute("aria-selected", String(same(found.pareto[place]?.approach, store.state.plan)));
    });
  }

  onWidth(stage, (now) => {
    width = now;
    draw();
  });
  return {
    element: h(
      "section",
      { "aria-label": "Bone against what is freed" },
      h("h3", {}, "Bone against what is freed"),
      readout,
      stage,
      key,
      table.element,
    ),
    follow,
  };
}

function ends(...many: readonly (readonly number[])[]): [number, number] {
  const all = many.flat();
  return [Math.min(...all), Math.max(...all)];
}

function roundDown(value: number): number {
  const step = ticks(0, Math.max(value, 1), 4)[1] ?? 1;
  return Math.max(0, Math.floor(value / step - 0.1) * step);
}

function wordsOf(each: ParetoCandidate | undefined): string {
  if (!each) return "";
  const far = each.approach.phases.at(-1)?.medial_tilt_deg;
  return (
    `From the ${each.approach.side}, sleeve / scope / tool ${sizesOf(each.approach.channel)} mm: ${number(each.bone_removed_mm3, 0)} mm\u00b3 of bone, ${percent(each.freed_frac)} freed on the side freed less, ` +
    `${each.least_facet_kept_frac === null ? "what is kept of the joints not known" : `at least ${percent(each.least_facet_kept_frac)} of each joint kept`}, ${number(far, 0)}\u00b0 over the top.`
  );
}
