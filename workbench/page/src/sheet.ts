// What theatre needs: AP and lateral as the intensifier will show them, the entry in figures, and the pages to print.

import type { Desk, Part } from "./desk";
import { type Child, h, say } from "./elements";
import { film, filmKey } from "./films";
import type { Question, Radiograph } from "./protocol";
import type { State } from "./store";
import { cranialWords, lateralWords, number } from "./wording";
import { working } from "./working";

/** How long the plan has to stand still before radiographs are asked for, ms. */
const REST_MS = 200;

interface Pair {
  ap: Radiograph;
  lateral: Radiograph;
}

interface SkinEntry {
  lateral_mm: number;
  cranial_mm: number;
  depth_mm: number;
  at: "skin" | "pivot";
}

export const sheet: Part = (root, desk) => {
  const [films, readout] = [bothFilms(desk), entryReadout()];
  root.append(h("div", { class: "sheet-frame" }, films.element, h("div", { class: "sheet-side" }, readout.element, printing(desk), films.key)));
  const show = () => {
    readout.show(desk.store.state);
    films.show(desk.store.state);
  };
  desk.store.subscribe((_, changed) => {
    if ((["plan", "answer", "fresh", "moving", "looks", "link", "confirmed"] as const).some((key) => changed.has(key))) show();
  });
  show();
};

/** Both pictures, asked for when the hand rests and the panel is open; greyed until they show the plan. */
function bothFilms(desk: Desk) {
  const [ap, lateral, key] = [film("AP"), film("lateral"), filmKey()];
  const element = h("div", { class: "films" }, ap.element, lateral.element);
  let drawn: State["plan"] | null = null;
  let pair: Pair | null = null;
  let lie: State["looks"]["turned"] = "theatre";
  let asked: State["plan"] | null = null;
  let resting = 0;

  async function draw(): Promise<void> {
    const { plan, moving } = desk.store.state;
    if (moving || asked === plan) return;
    asked = plan;
    const answered = await desk.ask<Pair>({ ask: "radiographs", plan }, { lane: "radiographs" });
    if (asked === plan) asked = null;
    if (!answered || desk.store.state.plan !== plan) return;
    [drawn, pair] = [plan, answered.answer];
    lay(plan.level);
    const atSkin = answered.answer.ap.marks.some((mark) => mark.name === "skin entry");
    key.show(plan.phases.map((phase) => phase.name), atSkin);
    grey(desk.store.state);
  }

  function lay(level: string): void {
    lie = desk.store.state.looks.turned;
    if (!pair) return;
    ap.show(pair.ap, level, lie);
    lateral.show(pair.lateral, level, lie);
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
      if (drawn && lie !== state.looks.turned) lay(drawn.level);
      clearTimeout(resting);
      const wanted = state.looks.panel === "sheet" && state.link === "up" && !state.moving && drawn !== state.plan;
      if (wanted) resting = setTimeout(() => void draw(), REST_MS);
    },
  };
}

/** The entry as a hand and an intensifier find it. */
function entryReadout() {
  const value = () => h("output", { class: "large" });
  const [across, along, deep] = [value(), value(), value()];
  const [where, landmark, from] = [h("span", {}), h("span", {}), h("span", {})];
  const row = (label: Child, told: HTMLElement, of: Child) => h("div", {}, h("dt", {}, label), h("dd", {}, told, h("span", { class: "quiet" }, of)));
  const element = h("dl", { class: "entry-readout" }, row(where, across, "of the spinous line"), row("and", along, landmark), row("Depth", deep, from));
  return {
    element,
    show({ answer, fresh }: State): void {
      element.classList.toggle("stale", !fresh);
      element.setAttribute("aria-busy", String(!fresh));
      if (!answer) return;
      const { estimate } = answer;
      const entry = estimate.skin_entry as unknown as SkinEntry;
      const atSkin = entry.at === "skin";
      say(where, atSkin ? "Skin entry" : "At the pivot (no skin in view)");
      say(across, lateralWords(entry.lateral_mm, estimate.side).replace(" of the midline", ""));
      say(along, cranialWords(entry.cranial_mm, "").replace(" of ", ""));
      say(landmark, `of the lower edge of the ${estimate.level.split("-")[0]} lamina, ${estimate.side}`);
      say(deep, `${number(entry.depth_mm, 0)} mm`);
      say(from, `${atSkin ? "skin" : "pivot"} to docking point, on the axis`);
    },
  };
}

/** Pixels a side of the endoscope's view on the sheet: sharp at 51 mm, and short enough for one message. */
const VIEW_PX = 480;

/** The view of the first phase; none where that is not on the page, and the server then draws a clock. */
function firstView(state: State): string {
  const shown = window.rehearsal?.scope;
  const small = h("canvas", { width: VIEW_PX, height: VIEW_PX });
  const pen = small.getContext("2d");
  if (!shown?.canvas || !shown.drawn || !pen || state.looks.phase !== 0) return "";
  pen.drawImage(shown.canvas, 0, 0, VIEW_PX, VIEW_PX);
  return small.toDataURL("image/png");
}

/** The pages to print: each made when asked for, then opened beside this one. */
function printing(desk: Desk): HTMLElement {
  const { store } = desk;
  const plan = () => ({ plan: store.state.plan, task: store.state.task });
  return h(
    "div", { class: "printing" },
    printed(desk, "Make the theatre sheet", "sheet", () => ({ ask: "sheet", ...plan(), scope: firstView(store.state) })),
    printed(desk, "Make the report", "report", () => ({ ask: "report", ...plan(), pdf: false })),
    printed(desk, "Make the report as PDF", "report PDF", () => ({ ask: "report", ...plan(), pdf: true })),
  );
}

function printed(desk: Desk, words: string, what: string, question: () => Question): HTMLElement {
  const link = h("p", { class: "made", "aria-live": "polite" });
  const work = working(desk, words, `print ${what}`, () => void make());

  async function make(): Promise<void> {
    const { level, side } = desk.store.state.plan;
    link.replaceChildren();
    const made = await work.run<{ url: string }>(question());
    if (!made) return;
    link.replaceChildren(h("a", { href: made.url, target: "_blank", rel: "noopener" }, `Open the ${what}: ${level}, ${side}`));
    // where the browser lets no window open by itself, the link stands there
    window.open(made.url, "_blank", "noopener");
  }

  return h("div", { class: "print-row" }, work.element, link);
}
