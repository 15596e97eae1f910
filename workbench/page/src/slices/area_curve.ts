// The free area along the canal, before, needed and after: a click goes to that place in the slices.

import { h } from "../dom/elements";
import { axisBelow, axisLeft, path, roundUp, s, scale, ticks, type Scale, UP_PX } from "../dom/svg_chart";
import type { Freed } from "../protocol/estimate";

const [LEFT, RIGHT, TOP, BOTTOM] = [40, 8, 24, 40];

/** What an arrow key moves along the canal, mm. */
const STEP_MM = 1;

export interface AreaCurve {
  element: HTMLElement;
  /** `z_mm`: the level of the axial slice. */
  show(freed: Freed | null, z_mm: number, stale: boolean): void;
}

/** What each line is, by its dashes. */
const areaKey = (): HTMLElement =>
  h(
    "ul",
    { class: "legend area-key", "aria-label": "Lines of the curve" },
    ...(["before", "needed", "after"] as const).map((name) =>
      h(
        "li",
        {},
        s(
          "svg",
          { viewBox: "0 0 22 6", width: 22, height: 6, "aria-hidden": "true" },
          s("path", { class: `area-line area-${name}`, d: "M0,3H22" }),
        ),
        name,
      ),
    ),
  );

export function areaCurve(goTo: (z_mm: number) => void): AreaCurve {
  const chart = h("div", {
    class: "area-chart",
    tabindex: "0",
    role: "slider",
    "aria-valuenow": "0",
    "aria-label": "Place along the canal",
  });
  const element = h(
    "figure",
    { class: "slice area-curve" },
    chart,
    areaKey(),
    h("figcaption", { class: "slice-caption" }, "Free canal"),
  );
  let drawn: { freed: Freed; z_mm: number } | null = null;
  let [wide, high] = [0, 0];
  let across: Scale | null = null;

  function draw(): void {
    if (!drawn || wide < 80 || high < 60) {
      chart.replaceChildren();
      return;
    }
    const { freed, z_mm } = drawn;
    const { stations_mm: z, area_mm2: area } = freed;
    const values = [...area.before, ...area.needed, ...area.after].filter((each) => each !== null);
    across = scale(Math.min(...z), Math.max(...z), LEFT, wide - RIGHT);
    const most = roundUp(Math.max(...values, 1));
    const up = scale(0, most, high - BOTTOM, TOP);
    const fine = ticks(0, most, (high - BOTTOM - TOP) / UP_PX);
    // on a low picture both ends at least
    const marks = fine.length > 1 ? fine : [0, most];
    const x = across;
    const line = (name: "before" | "needed" | "after") =>
      s("path", {
        class: `area-line area-${name}`,
        d: path(area[name].map((value, place) => (value === null ? null : ([x.at(z[place]!), up.at(value)] as const)))),
      });
    chart.replaceChildren(
      s(
        "svg",
        { viewBox: `0 0 ${wide} ${high}`, width: wide, height: high, "aria-hidden": "true" },
        axisBelow(x, high - BOTTOM, "mm toward the head"),
        axisLeft(up, x, "mm\u00b2", marks),
        line("before"),
        line("needed"),
        line("after"),
        s("line", { class: "area-here", x1: x.at(z_mm), x2: x.at(z_mm), y1: TOP, y2: high - BOTTOM }),
      ),
    );
    chart.setAttribute("aria-valuenow", z_mm.toFixed(1));
    chart.setAttribute("aria-valuemin", String(Math.min(...z)));
    chart.setAttribute("aria-valuemax", String(Math.max(...z)));
  }

  const to = (z_mm: number) => {
    const ends = drawn?.freed.stations_mm ?? [];
    if (ends.length) goTo(Math.min(Math.max(z_mm, Math.min(...ends)), Math.max(...ends)));
  };
  chart.addEventListener("click", (event) => {
    if (!across || !drawn) return;
    const part = (event.offsetX - across.from) / (across.to - across.from);
    to(across.low + part * (across.high - across.low));
  });
  chart.addEventListener("keydown", (event) => {
    const step = { ArrowRight: STEP_MM, ArrowUp: STEP_MM, ArrowLeft: -STEP_MM, ArrowDown: -STEP_MM }[event.key];
    if (step === undefined || !drawn) return;
    event.preventDefault();
    event.stopPropagation();
    to(drawn.z_mm + step);
  });
  // its height changes without its width where the panel is made taller
  new ResizeObserver(() => {
    const { clientWidth, clientHeight } = chart;
    if (clientWidth === wide && clientHeight === high) return;
    [wide, high] = [clientWidth, clientHeight];
    draw();
  }).observe(chart);
  return {
    element,
    show(freed, z_mm, stale) {
      element.hidden = freed === null;
      element.classList.toggle("stale", stale);
      if (drawn?.freed === freed && drawn.z_mm === z_mm) return;
      drawn = freed && { freed, z_mm };
      draw();
    },
  };
}
