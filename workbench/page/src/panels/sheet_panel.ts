// The panel of the theatre sheet: AP and lateral radiographs, the entry in figures, and the pages to print.

import type { Context, PanelPart } from "../session/context";
import { endoscopeHandle } from "../views/endoscope_view";
import { type Child, h, setText } from "../dom/elements";
import { radiographFigure, radiographKey } from "./radiograph_figure";
import type { ServerRequest } from "../protocol/messages";
import type { RadiographPair } from "../protocol/radiographs";
import type { State } from "../model/store";
import { cranialWords, lateralWords, number } from "../model/number_format";
import { progressButton } from "../session/progress_button";

/** How long the plan has to stand still before radiographs are requested, ms. */
const REST_MS = 200;

export const sheetPanel: PanelPart = (root, context, isOpen) => {
  const [films, readout] = [bothFilms(context, isOpen), entryReadout()];
  root.append(
    h(
      "div",
      { class: "sheet-frame" },
      films.element,
      h("div", { class: "sheet-side" }, readout.element, printing(context), films.key),
    ),
  );
  const show = () => {
    readout.show(context.store.state);
    films.show(context.store.state);
  };
  context.store.subscribe((_, changed) => {
    if ((["plan", "answer", "fresh", "moving", "looks", "link", "confirmed"] as const).some((key) => changed.has(key)))
      show();
  });
  show();
};

/** Both pictures, requested when the plan rests and the panel is open; greyed until they show the plan. */
function bothFilms(context: Context, isOpen: (state: State) => boolean) {
  const [ap, lateral, key] = [radiographFigure("AP"), radiographFigure("lateral"), radiographKey()];
  const element = h("div", { class: "films" }, ap.element, lateral.element);
  let drawn: State["plan"] | null = null;
  let pair: RadiographPair | null = null;
  let orientation: State["looks"]["turned"] = "theatre";
  let requested: State["plan"] | null = null;
  let resting = 0;

  async function draw(): Promise<void> {
    const { plan, moving } = context.store.state;
    if (moving || requested === plan) return;
    requested = plan;
    const answered = await context.ask({ ask: "radiographs", plan }, { lane: "radiographs" });
    if (requested === plan) requested = null;
    if (!answered || context.store.state.plan !== plan) return;
    [drawn, pair] = [plan, answered.answer];
    lay(plan.level);
    const atSkin = answered.answer.ap.marks.some((mark) => mark.name === "skin entry");
    key.show(
      plan.phases.map((phase) => phase.name),
      atSkin,
    );
    grey(context.store.state);
  }

  function lay(level: string): void {
    orientation = context.store.state.looks.turned;
    if (!pair) return;
    ap.show(pair.ap, level, orientation);
    lateral.show(pair.lateral, level, orientation);
  }

  function grey(state: State): void {
    const stale = drawn !== state.plan;
    element.classList.toggle("stale", stale);
    for (const each of [ap, lateral]) each.element.setAttribute("aria-busy", String(stale));
  }

  return {
    element,
    key: key.element,
    show(state: State): void {
      grey(state);
      if (drawn && orientation !== state.looks.turned) lay(drawn.level);
      clearTimeout(resting);
      const wanted = isOpen(state) && state.link === "up" && !state.moving && drawn !== state.plan;
      if (wanted) resting = setTimeout(() => void draw(), REST_MS);
    },
  };
}

/** The entry as palpation and an intensifier find it. */
function entryReadout() {
  const value = () => h("output", { class: "large" });
  const [across, along, deep] = [value(), value(), value()];
  const [where, landmark, from] = [h("span", {}), h("span", {}), h("span", {})];
  const row = (label: Child, value: HTMLElement, of: Child) =>
    h("div", {}, h("dt", {}, label), h("dd", {}, value, h("span", { class: "quiet" }, of)));
  const element = h(
    "dl",
    { class: "entry-readout" },
    row(where, across, "of the midline"),
    row("and", along, landmark),
    row("Depth", deep, from),
  );
  return {
    element,
    show({ answer, fresh }: State): void {
      element.classList.toggle("stale", !fresh);
      element.setAttribute("aria-busy", String(!fresh));
      if (!answer) return;
      const { estimate } = answer;
      const entry = estimate.skin_entry;
      const atSkin = entry.at === "skin";
      setText(where, atSkin ? "Skin entry" : "At the pivot (no skin in view)");
      setText(across, lateralWords(entry.lateral_mm, estimate.side).replace(" of the midline", ""));
      setText(along, cranialWords(entry.cranial_mm, "").replace(" of ", ""));
      setText(landmark, `of the lower edge of the ${estimate.level.split("-")[0]} lamina, ${estimate.side}`);
      setText(deep, `${number(entry.depth_mm, 0)} mm`);
      setText(from, `${atSkin ? "skin" : "pivot"} to docking point, on the axis`);
    },
  };
}

/** Pixels a side of the endoscope's view on the sheet: sharp at 51 mm, and short enough for one message. */
const VIEW_PX = 480;

/** The view of the first phase; none where that is not on the page, and the server then draws a clock. */
function firstView(state: State): string {
  const shown = endoscopeHandle;
  const small = h("canvas", { width: VIEW_PX, height: VIEW_PX });
  const pen = small.getContext("2d");
  if (!shown.canvas || !shown.drawn || !pen || state.looks.phase !== 0) return "";
  pen.drawImage(shown.canvas, 0, 0, VIEW_PX, VIEW_PX);
  return small.toDataURL("image/png");
}

/** The pages to print: each made when requested, then opened beside this one. */
function printing(context: Context): HTMLElement {
  const { store } = context;
  const plan = () => ({ plan: store.state.plan, task: store.state.task, name: store.state.name });
  return h(
    "div",
    { class: "printing" },
    printed(context, "Make the theatre sheet", "sheet", () => ({
      ask: "sheet",
      ...plan(),
      scope: firstView(store.state),
    })),
    printed(context, "Make the report", "report", () => ({ ask: "report", ...plan(), pdf: false })),
    printed(context, "Make the report as PDF", "report PDF", () => ({ ask: "report", ...plan(), pdf: true })),
  );
}

type PrintRequest = Extract<ServerRequest, { ask: "sheet" | "report" }>;

function printed(context: Context, words: string, what: string, question: () => PrintRequest): HTMLElement {
  const link = h("p", { class: "made", "aria-live": "polite" });
  const work = progressButton(context, words, `print ${what}`, () => void make());

  async function make(): Promise<void> {
    const { level, side } = context.store.state.plan;
    link.replaceChildren();
    const made = await work.run(question());
    if (!made) return;
    link.replaceChildren(
      h("a", { href: made.url, target: "_blank", rel: "noopener" }, `Open the ${what}: ${level}, ${side}`),
    );
    // where the browser lets no window open by itself, the link stands there
    window.open(made.url, "_blank", "noopener");
  }

  return h("div", { class: "print-row" }, work.element, link);
}
