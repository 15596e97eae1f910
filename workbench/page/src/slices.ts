// Flat cuts through the scan: axial, sagittal, coronal and along the channel.

import type { Desk, Part } from "./desk";
import { button, h, say } from "./elements";
import { Loads } from "./loads";
import type { Plan, Vec3 } from "./protocol";
import { scanOf, type Scan } from "./scan";
import { cutOf, KINDS, MOVED, type Kind } from "./slice_cuts";
import { SliceView, snapshotOf } from "./slice_view";

/** What tests and other parts may ask of the slices. */
export interface SlicesHook {
  /** The point that all cuts go through, level mm. */
  point: Vec3;
  /** Grey values of a cut as drawn, row by row from the top, in the scan's own unit; empty before the scan is there. */
  values(kind: Kind): { columns: number; rows: number; grey: Float32Array };
  /** A PNG data URL of a slice through the same point with another plan of the level; "" where another level is shown. */
  snapshot(plan: Plan, kind: Kind, width: number, height: number): Promise<string>;
  drawn: number;
  /** How long the last drawing of all slices took, ms. */
  took_ms: number;
}

export const slicesHook: SlicesHook = {
  point: [0, 0, 0],
  values: () => ({ columns: 0, rows: 0, grey: new Float32Array() }),
  snapshot: () => Promise.resolve(""),
  drawn: 0,
  took_ms: 0,
};

/** Windows of CT by the tissue they are for: black and white, HU (common practice, no source). */
const CT_WINDOWS: readonly (readonly [string, [number, number]])[] = [
  ["Bone", [-150, 900]],
  ["Soft tissue", [-110, 190]],
];

const HINT = "Click to centre; wheel moves the slice; right button or Shift drags the grey values.";

/** Least time between two drawings while the plan moves, ms. */
const MOVING_MS = 150;

export const slices: Part = (root, desk) => new Slices(root, desk);

class Slices {
  private readonly scans = new Loads<Scan>("scan.bin", (frame) => scanOf(frame));
  private readonly views: SliceView[];
  private readonly words = h("p", { class: "picture-words", role: "status" }, "The scan is on its way.");
  private readonly told = h("span", { class: "quiet" });
  private readonly fields: [HTMLInputElement, HTMLInputElement];
  private scan: Scan | null = null;
  private wanted = "";
  /** How far the slice along the channel is moved off the axis, mm. */
  private off_mm = 0;
  private timer = 0;

  constructor(
    root: HTMLElement,
    private readonly desk: Desk,
  ) {
    this.views = KINDS.map((kind) => this.viewOf(kind));
    this.fields = [this.field(0), this.field(1)];
    const row = h("div", { class: "slices", title: HINT }, ...this.views.map((view) => view.element));
    root.classList.add("slices-part");
    root.append(this.windowing(), this.words, row);
    slicesHook.values = (kind) => {
      const view = this.views.find((each) => each.kind === kind);
      const side = Math.sqrt(view?.painter.grey.length ?? 0);
      return { columns: side, rows: side, grey: view?.painter.grey ?? new Float32Array() };
    };
    slicesHook.snapshot = (plan, kind, width, height) => this.snapshot(plan, kind, width, height);
    new ResizeObserver(() => this.redraw()).observe(row);
    slicesHook.point = desk.store.state.plan.docking_point_mm;
    this.listen();
    void this.load();
  }

  private listen(): void {
    const { store } = this.desk;
    let { level, side } = store.state.plan;
    store.subscribe((state, changed) => {
      if (changed.has("plan") && (state.plan.level !== level || state.plan.side !== side)) {
        ({ level, side } = state.plan);
        this.goTo(state.plan.docking_point_mm);
        void this.load();
      }
      if (changed.has("link") && !this.scan) void this.load();
      if (changed.has("plan") || changed.has("looks") || changed.has("removal")) this.redraw();
    });
  }

  private async load(): Promise<void> {
    const { level } = this.desk.store.state.plan;
    if (level === this.wanted) return;
    this.wanted = level;
    this.scan = null;
    try {
      const scan = await this.scans.of(level);
      if (this.wanted !== level) return;
      this.scan = scan;
      this.words.textContent = "";
    } catch (why) {
      this.words.textContent = why instanceof Error ? why.message : String(why);
      this.wanted = "";
    }
    this.redraw();
  }

  private async snapshot(plan: Plan, kind: Kind, width: number, height: number): Promise<string> {
    const { scan, desk } = this;
    if (!scan || scan.level !== plan.level) return "";
    const { looks } = desk.store.state;
    const turning = { plan, phase: looks.phase, turned: looks.turned };
    const cut = cutOf(kind, slicesHook.point, turning);
    const shown = { scan, plan, removal: null, window: looks.grey_window, point: slicesHook.point, phase: looks.phase };
    return snapshotOf(cut, shown, [width, height]);
  }

  private goTo(point: Vec3): void {
    slicesHook.point = point;
    this.off_mm = 0;
    this.redraw();
  }

  private viewOf(kind: Kind): SliceView {
    return new SliceView(kind, {
      point: (point) => {
        slicesHook.point = point;
        this.redraw();
      },
      move: (by_mm) => this.move(kind, by_mm),
      window: (right, down) => this.shift(right, down),
    });
  }

  private move(kind: Kind, by_mm: number): void {
    if (kind === "channel") this.off_mm += by_mm;
    else {
      const point: Vec3 = [...slicesHook.point];
      point[MOVED[kind]] += by_mm;
      slicesHook.point = point;
    }
    this.redraw();
  }

  /** Right widens the window, down makes the picture brighter; a pixel is half a percent of the width. */
  private shift(right_px: number, down_px: number): void {
    const [black, white] = this.desk.store.state.looks.grey_window;
    const [width, middle] = [white - black, (white + black) / 2];
    const wide = Math.max(width * (1 + right_px / 200), 1);
    const at = middle - (width * down_px) / 200;
    this.window([Math.round(at - wide / 2), Math.round(at + wide / 2)]);
  }

  private window(grey_window: [number, number]): void {
    if (grey_window[0] < grey_window[1] && grey_window.every(Number.isFinite)) this.desk.store.look({ grey_window });
  }

  private field(end: 0 | 1): HTMLInputElement {
    const input = h("input", { type: "number", step: "10", id: `grey-${end ? "white" : "black"}` });
    input.addEventListener("change", () => {
      const next: [number, number] = [...this.desk.store.state.looks.grey_window];
      next[end] = input.valueAsNumber;
      this.window(next);
    });
    return input;
  }

  private windowing(): HTMLElement {
    const { facts } = this.desk.store.state;
    const presets = facts.modality === "CT" ? CT_WINDOWS : [];
    const unit = facts.modality === "CT" ? " (HU)" : "";
    return h(
      "div",
      { class: "windowing", role: "group", "aria-label": "Grey values of the slices" },
      h("label", { for: this.fields[0].id }, `Black${unit}`),
      this.fields[0],
      h("label", { for: this.fields[1].id }, `White${unit}`),
      this.fields[1],
      button("As opened", () => this.window(facts.grey_window)),
      ...presets.map(([words, window]) => button(words, () => this.window(window))),
      button("To the docking point", () => this.goTo(this.desk.store.state.plan.docking_point_mm)),
      this.told,
    );
  }

  /** What the scan holds where the slices meet. */
  private atCross(scan: Scan): string {
    const { structure, grey } = scan.at(slicesHook.point);
    const unit = this.desk.store.state.facts.modality === "CT" ? " HU" : "";
    return `At the cross: ${structure || "outside the patient"}, ${Math.round(grey)}${unit}`;
  }

  /** While the plan moves the slices follow at a distance, for the solids come first. */
  private redraw(): void {
    if (this.timer) return;
    const wait = this.desk.store.state.moving ? MOVING_MS : 0;
    this.timer = window.setTimeout(() => requestAnimationFrame(() => this.draw()), wait);
  }

  private draw(): void {
    this.timer = 0;
    const { scan, desk } = this;
    const { plan, looks, removal } = desk.store.state;
    this.fields.forEach((field, end) => {
      if (document.activeElement !== field) field.value = String(looks.grey_window[end as 0 | 1]);
    });
    if (!scan || scan.level !== plan.level || !this.views[0]?.canvas.clientWidth) return;
    const began = performance.now();
    const shown = { scan, plan, removal, window: looks.grey_window, point: slicesHook.point, phase: looks.phase };
    const turning = { plan, phase: looks.phase, turned: looks.turned };
    for (const view of this.views) view.draw(cutOf(view.kind, slicesHook.point, turning, this.off_mm), shown);
    say(this.told, this.atCross(scan));
    slicesHook.drawn++;
    slicesHook.took_ms = performance.now() - began;
  }
}
