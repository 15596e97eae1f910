// Sleeve and tool diameters against bone, joints and reach, and where they no longer pass; choosing one changes the plan.

import { band, limitLine, type PlotAxes, steered } from "./tilt_chart";
import type { InstrumentChart, InstrumentCurve, Outcomes } from "../protocol/charts";
import { chartTable } from "../dom/data_table";
import type { Context } from "../session/context";
import { radioChoice, h, setText } from "../dom/elements";
import type { Plan } from "../protocol/plan";
import { same } from "../model/store";
import { axisBelow, axisLeft, onWidth, path, roundUp, s, scale } from "../dom/svg_chart";
import { amount, joined, number, percent } from "../model/number_format";
import { progressButton } from "../session/progress_button";

const [LEFT, RIGHT, TOP, HEIGHT] = [48, 14, 26, 250];

type CurveKind = "held" | "best";

export function instrumentChart(context: Context): HTMLElement {
  const { store } = context;
  const doing = progressButton(context, "Work out the instrument chart", "instrument_chart", () => void ask());
  const note = h(
    "p",
    { class: "quiet" },
    "What sleeves and tools of other diameters take and free from the planned entry: some seconds of work.",
  );
  const choice = radioChoice<CurveKind>(
    "Choosing a diameter",
    [
      ["held", "keeps the tilts"],
      ["best", "enters anew"],
    ],
    turn,
  );
  const faces = h("div", { class: "curves" });
  const element = h(
    "section",
    { class: "chart instrument", "aria-label": "Instrument chart" },
    doing.element,
    note,
    choice.element,
    faces,
  );
  choice.element.hidden = true;
  let kind: CurveKind = "held";
  let follow: (() => void)[] = [];

  function turn(chosen: CurveKind): void {
    kind = chosen;
    choice.show(kind);
    for (const each of follow) each();
  }

  async function ask(): Promise<void> {
    const { plan, task } = store.state;
    const chart = await doing.run({ ask: "instrument_chart", plan, task });
    if (!chart) return;
    setText(doing.start, "Work out anew");
    note.hidden = true;
    choice.element.hidden = false;
    const made = chart.curves.map((curve) => curveFace(context, chart, curve, { plan, task, kind: () => kind }));
    faces.replaceChildren(...made.map((face) => face.element));
    follow = made.map((face) => face.show);
    turn(kind);
  }

  store.subscribe((_, changed) => {
    if (changed.has("plan") || changed.has("task")) for (const each of follow) each();
  });
  return element;
}

interface PlotBase {
  plan: Plan;
  task: string[];
  kind(): CurveKind;
}

function curveFace(
  context: Context,
  chart: InstrumentChart,
  curve: InstrumentCurve,
  base: PlotBase,
): { element: HTMLElement; show(): void } {
  const { store } = context;
  const drawing = s("svg", { "aria-hidden": "true", height: HEIGHT });
  const stage = h(
    "div",
    {
      class: "chart-stage",
      role: "slider",
      tabindex: "0",
      "aria-label": `Diameter of the ${curve.part}, mm`,
      "aria-valuenow": String(curve.plan_mm),
    },
    drawing,
  );
  const readout = h("p", { class: "readout" });
  const table = chartTable(`The ${curve.part}s as a table`);
  const element = h(
    "div",
    { class: "curve" },
    h("p", { class: "passes" }, passesWords(chart, curve)),
    readout,
    stage,
    keyOf(),
    table.element,
  );
  let panels: PlotAxes[] = [];
  table.fill(`${chart.level}, ${chart.side}: another ${curve.part}`, ...rowsOf(curve));

  const own = () =>
    curve.diameter_mm.findIndex(
      (_, place) => same(curve.held_plans[place], store.state.plan) || same(curve.best_plans[place], store.state.plan),
    );
  const fresh = () => same(base.task, store.state.task) && (same(base.plan, store.state.plan) || own() >= 0);
  const at = () => (own() >= 0 ? own() : nearestTo(curve.diameter_mm, curve.plan_mm));

  function show(): void {
    const diameter = curve.diameter_mm[at()] ?? 0;
    element.classList.toggle("stale", !fresh());
    const sentence = fresh()
      ? sentenceAt(curve, at(), own() < 0 && diameter !== curve.plan_mm ? curve.plan_mm : null)
      : `! Worked out for another plan: ${curve.part}s may differ for this one.`;
    setText(readout, sentence);
    const { low, high } = { low: curve.diameter_mm[0] ?? 0, high: curve.diameter_mm.at(-1) ?? 0 };
    for (const [name, value] of [
      ["min", low],
      ["max", high],
      ["now", diameter],
    ] as const)
      stage.setAttribute(`aria-value${name}`, String(value));
    stage.setAttribute("aria-valuetext", sentence);
    const mm = own() >= 0 ? diameter : curve.plan_mm;
    drawing
      .querySelector(".plan-mark")
      ?.replaceChildren(
        ...panels.map(({ x, y }) => s("line", { x1: x.at(mm), x2: x.at(mm), y1: y.from, y2: y.to - 4 })),
      );
  }

  steered(stage, {
    at,
    last: () => curve.diameter_mm.length - 1,
    near: (x) => nearestPixel(curve, panels[0], x - stage.getBoundingClientRect().left),
    to: (place) => {
      const plans = base.kind() === "held" ? curve.held_plans : curve.best_plans;
      const plan = plans[Math.min(Math.max(place, 0), plans.length - 1)];
      if (fresh() && plan && !same(plan, store.state.plan)) store.move(plan);
    },
    settle: () => store.settle(),
  });
  onWidth(stage, (width) => {
    drawing.setAttribute("viewBox", `0 0 ${width} ${HEIGHT}`);
    panels = panelAxes(curve, width);
    drawing.replaceChildren(...background(chart, curve, panels), s("g", { class: "plan-mark" }));
    show();
  });
  return { element, show };
}

const nearestTo = (values: readonly number[], value: number): number => {
  const off = values.map((each) => Math.abs(each - value));
  return off.indexOf(Math.min(...off));
};

const nearestPixel = (curve: InstrumentCurve, panel: PlotAxes | undefined, x: number): number =>
  panel
    ? nearestTo(
        curve.diameter_mm.map((mm) => panel.x.at(mm)),
        x,
      )
    : 0;

/** Bone above, reach of the wanted targets below. */
function panelAxes(curve: InstrumentCurve, width: number): PlotAxes[] {
  const x = scale(curve.diameter_mm[0] ?? 0, curve.diameter_mm.at(-1) ?? 1, LEFT, width - RIGHT);
  const most = roundUp(Math.max(...curve.held.bone_mm3, ...curve.best.bone_mm3));
  return [
    { x, y: scale(0, most, 122, TOP) },
    { x, y: scale(0, 100, HEIGHT - 40, 152) },
  ];
}

function background(chart: InstrumentChart, curve: InstrumentCurve, [bone, reach]: PlotAxes[]): SVGElement[] {
  if (!bone || !reach) return [];
  const line = (panel: PlotAxes, values: readonly (number | null)[], kind: string) =>
    s("path", {
      class: `line ${kind}`,
      d: path(
        values.map((value, place) =>
          value === null ? null : [panel.x.at(curve.diameter_mm[place] ?? 0), panel.y.at(value)],
        ),
      ),
    });
  const freed = (outcomes: Outcomes) => curve.diameter_mm.map((_, place) => 100 * leastFreed(outcomes, place));
  return [
    ...[bone, reach].flatMap((panel) => curve.bands_mm.map(([low, high]) => band(panel, low, high))),
    axisLeft(bone.y, bone.x, "bone removed, mm\u00b3"),
    axisLeft(reach.y, reach.x, "freed, side freed less, %", [0, 50, 100]),
    limitLine(reach, 100 * chart.enough_frac, "enough"),
    line(bone, curve.held.bone_mm3, "held"),
    line(bone, curve.best.bone_mm3, "best"),
    line(reach, freed(curve.held), "held"),
    line(reach, freed(curve.best), "best"),
    axisBelow(reach.x, reach.y.from, `${curve.part} diameter, mm`),
  ];
}

const leastFreed = (outcomes: Outcomes, place: number): number =>
  Math.min(...Object.values(outcomes.targets_frac).map((shares) => shares[place] ?? 0));

function passesWords(chart: InstrumentChart, curve: InstrumentCurve): string {
  const what = `free enough on ${joined(chart.wanted)} within all limits`;
  const bands = curve.bands_mm.map(([low, high]) =>
    low === high ? `${number(low)} mm` : `${number(low)} to ${number(high)} mm`,
  );
  if (!bands.length)
    return `No ${curve.part} from ${number(curve.diameter_mm[0])} to ${number(curve.diameter_mm.at(-1))} mm can ${what}, even entered anew.`;
  const stops =
    curve.stops_mm === null
      ? ""
      : ` Up to ${number(curve.bands_mm.at(-1)?.[1])} mm, no longer from ${number(curve.stops_mm)} mm.`;
  return `Entered anew, a ${curve.part} of ${joined(bands)} can ${what}.${stops}`;
}

function sentenceAt(curve: InstrumentCurve, at: number, own_mm: number | null): string {
  const wordsOf = (outcomes: Outcomes) =>
    `${amount(outcomes.bone_mm3[at], "mm3", 0)}, ${percent(leastFreed(outcomes, at))} freed on the side freed less`;
  const stands = curve.held_feasible[at] ? "enough freed, all limits kept" : "too little freed or a limit broken";
  const between = own_mm === null ? "" : ` The plan's own is ${number(own_mm)} mm.`;
  return (
    `${curve.part} ${number(curve.diameter_mm[at])} mm: from this entry ${wordsOf(curve.held)} (${stands}); entered anew ${wordsOf(curve.best)}` +
    `${curve.best_feasible[at] ? "" : " (still not within all limits with enough freed)"}.${between}`
  );
}

const keyOf = (): HTMLElement =>
  h(
    "ul",
    { class: "chart-key" },
    ...(
      [
        ["held", "this plan, other instrument"],
        ["best", "entered anew, least bone"],
      ] as const
    ).map(([kind, words]) =>
      h(
        "li",
        {},
        s("svg", { width: 24, height: 14, "aria-hidden": "true" }, s("path", { class: `line ${kind}`, d: "M0 7H24" })),
        words,
      ),
    ),
  );

function rowsOf(curve: InstrumentCurve): [string[], string[][]] {
  const heads = [
    "diameter, mm",
    "bone, mm\u00b3",
    "freed, side freed less",
    "reach, mm",
    "entered anew: bone, mm\u00b3",
    "freed, side freed less",
    "reach, mm",
    "succeeds entered anew",
  ];
  const rows = curve.diameter_mm.map((mm, at) => [
    number(mm),
    ...[curve.held, curve.best].flatMap((outcomes) => [
      number(outcomes.bone_mm3[at], 0),
      percent(leastFreed(outcomes, at)),
      number(outcomes.reach_mm[at]),
    ]),
    curve.best_feasible[at] ? "yes" : "no",
  ]);
  return [heads, rows];
}
