// The medial tilt of the entry, pivot to docking point, against bone, joints and reach; moving the plan's mark on it moves the plan.

import type { TiltChart } from "../protocol/charts";
import type { Context } from "../session/context";
import { freshId, h, setText } from "../dom/elements";
import { chartTable, numbersIn } from "../dom/data_table";
import type { Relation } from "../protocol/plan";
import { STACK_COLOURS, STACK_NAMES } from "../pictures/hues.generated";
import { same } from "../model/store";
import {
  area,
  axisBelow,
  axisLeft,
  hatch,
  onWidth,
  path,
  roundUp,
  s,
  type Scale,
  scale,
  words,
} from "../dom/svg_chart";
import { amount, joined, number, percent } from "../model/number_format";

/** Groups of structures from the side of the approach across, each with its own colour and hatch. */
const LAYERS = STACK_NAMES.map((name, place) => [name, STACK_COLOURS[place] ?? ""] as const);

/** After a plan came to rest, ms. */
const REST_MS = 150;

/** Steps of Page Up and Page Down. */
const PAGE = 10;

/** Wider than this, joints and reach stand beside the bone; narrower, below. */
const BESIDE_PX = 560;

/** The least and the most height of a chart beside which joints and reach stand. */
const [LOW_PX, HIGH_PX] = [196, 330];

const [LEFT, RIGHT, TOP, BELOW, GAP] = [48, 14, 26, 40, 34];

export interface PlotAxes {
  x: Scale;
  y: Scale;
}

export interface TiltChartView {
  element: HTMLElement;
  /** Asks anew where the chart is not that of the plan; nothing while it is not seen. */
  refresh(): void;
}

export function tiltChart(context: Context, seen: () => boolean): TiltChartView {
  const { store } = context;
  const prefix = freshId("angle");
  const drawing = s("svg", { "aria-hidden": "true" });
  const stage = h(
    "div",
    {
      class: "chart-stage",
      role: "slider",
      tabindex: "0",
      "aria-label": "Medial tilt",
      "aria-valuenow": "0",
      hidden: true,
    },
    drawing,
  );
  const readout = h("p", { class: "readout", "aria-live": "off" }, "The chart is being worked out \u2026");
  const key = h("ul", { class: "chart-key" });
  const bands = h("p", { class: "quiet" });
  const table = chartTable("The chart as a table");
  const element = h(
    "section",
    { class: "chart angle", "aria-label": "Angle chart" },
    readout,
    stage,
    bands,
    key,
    table.element,
  );
  let chart: TiltChart | null = null;
  let task: string[] = [];
  let width = 0;
  let panels: PlotAxes[] = [];
  let timer = 0;

  const here = () => (chart ? chart.plans.findIndex((plan) => same(plan, store.state.plan)) : -1);
  const fresh = () => chart !== null && here() >= 0 && same(task, store.state.task);

  function refresh(): void {
    const stale = !fresh();
    element.classList.toggle("stale", stale);
    element.setAttribute("aria-busy", String(stale));
    watchRoom();
    if (!stale) {
      mark();
      return;
    }
    window.clearTimeout(timer);
    if (seen() && !store.state.moving) timer = window.setTimeout(() => void ask(), REST_MS);
  }

  async function ask(): Promise<void> {
    const { plan, task: requested } = store.state;
    const answered = await context.ask(
      { ask: "angle_chart", plan, phase: plan.phases[0]?.name ?? "", task: requested },
      { lane: "angle_chart" },
    );
    if (!answered) return;
    [chart, task] = [answered.answer, requested];
    stage.hidden = false;
    draw();
    refresh();
  }

  function draw(): void {
    if (!chart || !width) return;
    const { height, placed } = panelAxes(chart, width, room());
    panels = placed;
    drawing.setAttribute("viewBox", `0 0 ${width} ${height}`);
    drawing.setAttribute("height", String(height));
    drawing.replaceChildren(...background(chart, panels, prefix), s("g", { class: "plan-mark" }));
    setText(bands, bandWords(chart));
    table.fill(`${chart.level}, ${chart.side}: another medial tilt of the entry`, ...rowsOf(chart));
    mark();
  }

  /** Pixels of height from the chart's top to the end of what is seen without scrolling. */
  function room(): number {
    const frame = element.closest(".panel");
    return frame
      ? frame.clientHeight - (stage.getBoundingClientRect().top - frame.getBoundingClientRect().top) - frame.scrollTop
      : 0;
  }

  function mark(): void {
    const at = here();
    const tilt = chart?.tilts_deg[at];
    if (!chart || tilt === undefined) return;
    const place = drawing.querySelector(".plan-mark");
    place?.replaceChildren(
      ...panels.map(({ x, y }) => s("line", { x1: x.at(tilt), x2: x.at(tilt), y1: y.from, y2: y.to - 4 })),
      ...panels.slice(0, 1).map(({ x, y }) => handle(x.at(tilt), y.to)),
    );
    stage.setAttribute("aria-label", "Medial tilt of the entry");
    stage.setAttribute("aria-valuemin", spoken(chart.tilts_deg[0]));
    stage.setAttribute("aria-valuemax", spoken(chart.tilts_deg.at(-1)));
    stage.setAttribute("aria-valuenow", spoken(tilt));
    const sentence = sentenceAt(chart, at);
    stage.setAttribute("aria-valuetext", sentence);
    setText(readout, sentence);
    keyed(key, chart, at, prefix);
  }

  /** The plan at that place of the chart, while the chart is that of the plan. */
  function to(place: number): void {
    if (!chart || !fresh()) return;
    const plan = chart.plans[Math.min(Math.max(place, 0), chart.plans.length - 1)];
    if (plan && !same(plan, store.state.plan)) store.move(plan);
  }

  steered(stage, {
    at: here,
    last: () => (chart?.plans.length ?? 1) - 1,
    near: (x) => nearest(chart, panels, x - stage.getBoundingClientRect().left),
    to,
    settle: () => store.settle(),
  });
  onWidth(stage, (now) => {
    width = now;
    draw();
  });
  let watched: Element | null = null;

  /** A taller panel has room for a taller chart. */
  function watchRoom(): void {
    const frame = element.closest(".panel");
    if (!frame || frame === watched) return;
    watched = frame;
    new ResizeObserver(draw).observe(frame);
  }
  store.subscribe((_, changed) => {
    if (["plan", "task", "looks", "moving", "confirmed", "blind", "link"].some((name) => changed.has(name as "plan")))
      refresh();
  });
  return { element, refresh };
}

/** A number as ARIA takes it: in thousandths, for a tiny one would be written with an exponent, which it does not know. */
const spoken = (value = 0): string => String(Math.round(1000 * value) / 1000 || 0);

interface TiltSteering {
  at(): number;
  last(): number;
  near(clientX: number): number;
  to(place: number): void;
  settle(): void;
}

/** Dragging, and the keys of a slider. */
export function steered(stage: HTMLElement, steer: TiltSteering): void {
  stage.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    stage.focus();
    stage.setPointerCapture(event.pointerId);
    steer.to(steer.near(event.clientX));
  });
  stage.addEventListener("pointermove", (event) => {
    if (stage.hasPointerCapture(event.pointerId)) steer.to(steer.near(event.clientX));
  });
  for (const name of ["pointerup", "pointercancel"] as const) stage.addEventListener(name, () => steer.settle());
  stage.addEventListener("keydown", (event) => {
    const at = steer.at();
    const to = {
      ArrowRight: at + 1,
      ArrowUp: at + 1,
      ArrowLeft: at - 1,
      ArrowDown: at - 1,
      PageUp: at + PAGE,
      PageDown: at - PAGE,
      Home: 0,
      End: steer.last(),
    }[event.key];
    if (to === undefined || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    if (at >= 0) steer.to(to);
  });
  stage.addEventListener("keyup", () => steer.settle());
  stage.addEventListener("blur", () => steer.settle());
}

function nearest(chart: TiltChart | null, panels: readonly PlotAxes[], x: number): number {
  const panel = panels.find(({ x: across }) => x <= across.to + GAP / 2) ?? panels.at(-1);
  if (!chart || !panel) return 0;
  const off = chart.tilts_deg.map((tilt) => Math.abs(panel.x.at(tilt) - x));
  return off.indexOf(Math.min(...off));
}

/** Bone on the left, joints over reach beside it; all below each other where there is little room. */
function panelAxes(chart: TiltChart, width: number, room: number): { height: number; placed: PlotAxes[] } {
  const [low, high] = [chart.tilts_deg[0] ?? 0, chart.tilts_deg.at(-1) ?? 1];
  const most = {
    bone: roundUp(Math.max(...chart.bone_mm3)),
    reach: roundUp(Math.max(1, ...numbersIn(chart.reach_mm))),
  };
  const plot = (from: number, to: number, top: number, bottom: number, value: number): PlotAxes => ({
    x: scale(low, high, from, to),
    y: scale(0, value, bottom, top),
  });
  if (width >= BESIDE_PX) {
    const height = Math.min(Math.max(room - 4, LOW_PX), HIGH_PX);
    const middle = Math.round((width - LEFT - RIGHT - LEFT - 6) * 0.52) + LEFT;
    const bottom = height - BELOW;
    const half = (bottom - TOP - GAP) / 2;
    const right: [number, number] = [middle + LEFT + 6, width - RIGHT];
    return {
      height,
      placed: [
        plot(LEFT, middle, TOP, bottom, most.bone),
        plot(...right, TOP, TOP + half, 100),
        plot(...right, bottom - half, bottom, most.reach),
      ],
    };
  }
  const across: [number, number] = [LEFT, width - RIGHT];
  return {
    height: 480,
    placed: [
      plot(...across, TOP, 190, most.bone),
      plot(...across, 226, 316, 100),
      plot(...across, 352, 440, most.reach),
    ],
  };
}

function background(chart: TiltChart, [bone, joints, reach]: PlotAxes[], prefix: string): SVGElement[] {
  if (!bone || !joints || !reach) return [];
  const all = [bone, joints, reach];
  const meaning = "tilt of the entry, pivot to docking point, \u00b0";
  const below = bone.x.from === reach.x.from ? [reach] : [bone, reach];
  return [
    s("defs", {}, ...LAYERS.map(([, colour], index) => hatch(`${prefix}-${index}`, colour, index))),
    ...all.flatMap((panel) => chart.bands_deg.map(([low, high]) => band(panel, low, high))),
    axisLeft(bone.y, bone.x, "bone removed, mm\u00b3"),
    axisLeft(joints.y, joints.x, "joint surface kept, %", [0, 50, 100]),
    axisLeft(reach.y, reach.x, "reach past the midline, mm"),
    ...stack(chart, bone, prefix),
    limitLine(joints, 100 * (chart.limits["facet_area_kept_frac"]?.value ?? 0), "limit"),
    ...(["ipsilateral", "contralateral"] as const).map((relation) => jointLine(chart, joints, relation)),
    s("path", { class: "line otop", d: lineOf(chart, reach, chart.reach_mm) }),
    ...below.map((panel) => axisBelow(panel.x, panel.y.from, meaning)),
  ];
}

/** Where all limits are kept and enough is freed; a lone tilt is as wide as a line. */
export function band({ x, y }: PlotAxes, low: number, high: number): SVGElement {
  const wide = Math.max(x.at(high) - x.at(low), 3);
  return s("rect", { class: "band", x: x.at(low), width: wide, y: y.to, height: y.from - y.to });
}

export function limitLine({ x, y }: PlotAxes, value: number, label: string): SVGElement {
  return s(
    "g",
    { class: "limit" },
    s("line", { x1: x.from, x2: x.to, y1: y.at(value), y2: y.at(value) }),
    words(label, x.to, y.at(value) + 13, { "text-anchor": "end" }),
  );
}

function stack(chart: TiltChart, { x, y }: PlotAxes, prefix: string): SVGElement[] {
  const across = chart.tilts_deg.map((tilt) => x.at(tilt));
  let under = across.map(() => 0);
  return Object.entries(chart.layers_mm3).map(([name, layer]) => {
    const over = under.map((bone, index) => bone + (layer[index] ?? 0));
    const edge = (heights: number[]) => heights.map((bone, index) => [across[index] ?? 0, y.at(bone)] as const);
    const drawn = s("path", {
      class: "layer",
      d: area(edge(over), edge(under)),
      fill: `url(#${prefix}-${layerOf(name)})`,
    });
    under = over;
    return drawn;
  });
}

const layerOf = (name: string): number => {
  const place = LAYERS.findIndex(([each]) => each === name);
  return place < 0 ? LAYERS.length - 1 : place;
};

function jointLine(chart: TiltChart, panel: PlotAxes, relation: Relation): SVGElement {
  const shares = chart.facet_area_frac[relation].map((share) => (share === null ? null : 100 * share));
  return s("path", { class: `line ${relation === "ipsilateral" ? "ipsi" : "otop"}`, d: lineOf(chart, panel, shares) });
}

function lineOf(chart: TiltChart, { x, y }: PlotAxes, values: readonly (number | null)[]): string {
  return path(values.map((value, index) => (value === null ? null : [x.at(chart.tilts_deg[index] ?? 0), y.at(value)])));
}

const handle = (x: number, top: number): SVGElement =>
  s("path", { class: "handle", d: `M${x} ${top + 11}l-7 -11h14z` });

function sentenceAt(chart: TiltChart, at: number): string {
  const joint = (relation: Relation) => `${percent(chart.facet_area_frac[relation][at])} ${relation}`;
  const targets = Object.entries(chart.targets_frac).map(([name, shares]) => `${name} ${percent(shares[at])}`);
  return (
    `${number(chart.tilts_deg[at])}\u00b0: ${number(chart.bone_mm3[at], 0)} mm\u00b3 of bone; joints kept ${joint("ipsilateral")}, ` +
    `${joint("contralateral")}; reach ${amount(chart.reach_mm[at], "mm")}; freed: ${joined(targets)}. ${stands(chart, at)}`
  );
}

function stands(chart: TiltChart, at: number): string {
  const broken = chart.breaks[at];
  if (broken) return `! Limit broken: ${broken}.`;
  return chart.feasible[at] ? "All limits kept, enough freed." : "! Limits kept, but too little freed.";
}

function bandWords(chart: TiltChart): string {
  const bands = chart.bands_deg.map(([low, high]) =>
    low === high ? `${number(low)}\u00b0` : `${number(low)}\u00b0 to ${number(high)}\u00b0`,
  );
  const meant = `all limits kept and at least ${percent(chart.enough_frac)} freed on ${joined(chart.wanted)}`;
  const shaded = bands.length ? `Shaded: ${meant} (${joined(bands)}).` : `No tilt shown has ${meant}.`;
  return `${shaded} The entry tilted about its docking point; each tilt estimated exactly.`;
}

/** What each colour and hatch means, with its share at the mark. */
function keyed(list: HTMLElement, chart: TiltChart, at: number, prefix: string): void {
  const shown = Object.entries(chart.layers_mm3).filter(([, layer]) => Math.max(...layer) >= 1);
  const layers = shown.map(([name, layer]) =>
    keyLine(
      s("rect", { width: 20, height: 14, fill: `url(#${prefix}-${layerOf(name)})` }),
      `${name}: ${number(layer[at], 0)} mm\u00b3`,
    ),
  );
  const line = (kind: string) => s("path", { class: `line ${kind}`, d: "M0 7H20" });
  list.replaceChildren(
    ...layers.reverse(),
    keyLine(line("ipsi"), "ipsilateral joint"),
    keyLine(line("otop"), "contralateral joint; reach"),
  );
}

const keyLine = (swatch: SVGElement, label: string): HTMLElement =>
  h("li", {}, s("svg", { width: 20, height: 14, "aria-hidden": "true" }, swatch), label);

function rowsOf(chart: TiltChart): [string[], string[][]] {
  const heads = [
    "tilt, \u00b0",
    "bone, mm\u00b3",
    "ipsilateral joint kept",
    "contralateral joint kept",
    "reach, mm",
    "stands",
  ];
  const rows = chart.tilts_deg.map((tilt, at) => [
    number(tilt),
    number(chart.bone_mm3[at], 0),
    percent(chart.facet_area_frac.ipsilateral[at]),
    percent(chart.facet_area_frac.contralateral[at]),
    number(chart.reach_mm[at]),
    stands(chart, at),
  ]);
  return [heads, rows];
}
