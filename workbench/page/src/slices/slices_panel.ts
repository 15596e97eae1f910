// The panel of flat slices through the scan: axial, sagittal, coronal and along the channel.

import type { Context, PanelPart } from "../session/context";
import { button, h, setText } from "../dom/elements";
import { numbersShown } from "../model/store";
import type { Freed } from "../protocol/estimate";
import { scanHeader } from "../protocol/frame_headers";
import { areaCurve } from "./area_curve";
import { sliceLegend } from "./slice_legend";
import { FrameCache } from "../session/frame_cache";
import type { Plan, Vec3 } from "../protocol/plan";
import { scanOf, type ScanVolume } from "./scan_volume";
import { cutOf, KINDS, MOVED, type SliceKind } from "./slice_planes";
import { SliceView, snapshotOf } from "./slice_view";

/** What tests and other parts may ask of the slices. */
export interface SlicesHandle {
  /** The point that all cuts go through, level mm. */
  point: Vec3;
  /** Grey values of a cut as drawn, row by row from the top, in the scan's own unit; empty before the scan is there. */
  values(kind: SliceKind): { columns: number; rows: number; grey: Float32Array };
  /** A PNG data URL of a slice through the same point with another plan of the level; "" where another level is shown. */
  snapshot(plan: Plan, kind: SliceKind, width: number, height: number): Promise<string>;
  drawn: number;
  /** How long the last drawing of all slices took, ms. */
  took_ms: number;
}

export const slicesHandle: SlicesHandle = {
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

const HINT =
  "Click to centre; wheel moves the slice; right button or Shift drags the grey values; double click or Enter enlarges.";

const FOLLOWED = ["blind", "answer", "fresh", "confirmed", "measurement"] as const;

/** Least time between two drawings while the plan moves, ms. */
const MOVING_MS = 150;

export const slicesPanel: PanelPart = (root, context) => new SlicePanel(root, context);

class SlicePanel {
  private readonly scans = new FrameCache("scan.bin", scanHeader, scanOf);
  private readonly views: SliceView[];
  private readonly words = h("p", { class: "picture-words", role: "status" }, "The scan is being fetched.");
  private readonly placeWords = h("span", { class: "quiet" });
  private readonly row = h("div", { class: "slices", title: HINT });
  private readonly curve = areaCurve((z_mm) => {
    const [x, y] = slicesHandle.point;
    slicesHandle.point = [x, y, z_mm];
    this.redraw();
  });
  private readonly fields: [HTMLInputElement, HTMLInputElement];
  private scan: ScanVolume | null = null;
  private wanted = "";
  /** How far the slice along the channel is moved off the axis, mm. */
  private off_mm = 0;
  private timer = 0;
  /** Of the last plan that was worked out at rest. */
  private freed: Freed | null = null;

  constructor(
    root: HTMLElement,
    private readonly context: Context,
  ) {
    this.views = KINDS.map((kind) => this.viewOf(kind));
    this.fields = [this.field(0), this.field(1)];
    this.row.append(...this.views.map((view) => view.element), this.curve.element);
    const row = this.row;
    root.classList.add("slices-part");
    root.append(this.windowing(), this.words, row, sliceLegend(context));
    slicesHandle.values = (kind) => {
      const view = this.views.find((each) => each.kind === kind);
      const side = Math.sqrt(view?.painter.grey.length ?? 0);
      return { columns: side, rows: side, grey: view?.painter.grey ?? new Float32Array() };
    };
    slicesHandle.snapshot = (plan, kind, width, height) => this.snapshot(plan, kind, width, height);
    new ResizeObserver(() => this.redraw()).observe(row);
    slicesHandle.point = context.store.state.plan.docking_point_mm;
    this.listen();
    void this.load();
  }

  private listen(): void {
    const { store } = this.context;
    let { level, side } = store.state.plan;
    store.subscribe((state, changed) => {
      if (changed.has("plan") && (state.plan.level !== level || state.plan.side !== side)) {
        ({ level, side } = state.plan);
        this.goTo(state.plan.docking_point_mm);
        void this.load();
      }
      if (changed.has("link") && !this.scan) void this.load();
      if (
        changed.has("plan") ||
        changed.has("looks") ||
        changed.has("removal") ||
        FOLLOWED.some((key) => changed.has(key))
      )
        this.redraw();
    });
  }

  private async load(): Promise<void> {
    const { level } = this.context.store.state.plan;
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

  private async snapshot(plan: Plan, kind: SliceKind, width: number, height: number): Promise<string> {
    const { scan, context } = this;
    if (!scan || scan.level !== plan.level) return "";
    const { looks } = context.store.state;
    const turning = { plan, phase: looks.phase, turned: looks.turned };
    const cut = cutOf(kind, slicesHandle.point, turning);
    const shown = {
      scan,
      plan,
      removal: null,
      window: looks.grey_window,
      point: slicesHandle.point,
      phase: looks.phase,
      measurement: null,
    };
    return snapshotOf(cut, shown, [width, height]);
  }

  private goTo(point: Vec3): void {
    slicesHandle.point = point;
    this.off_mm = 0;
    this.redraw();
  }

  private viewOf(kind: SliceKind): SliceView {
    return new SliceView(kind, {
      measure: (point) => this.context.store.point(point),
      point: (point) => {
        slicesHandle.point = point;
        this.redraw();
      },
      move: (by_mm) => this.move(kind, by_mm),
      window: (right, down) => this.shift(right, down),
      enlarge: () => this.enlarge(kind),
    });
  }

  /** One slice fills the panel, or all stand side by side again. */
  private enlarge(kind: SliceKind): void {
    const alone = this.row.dataset["alone"] === kind ? "" : kind;
    if (alone) this.row.dataset["alone"] = alone;
    else delete this.row.dataset["alone"];
    for (const view of this.views) {
      view.element.hidden = alone !== "" && view.kind !== alone;
      view.enlarged(view.kind === alone);
    }
    this.curve.element.classList.toggle("away", alone !== "");
    this.redraw();
  }

  private move(kind: SliceKind, by_mm: number): void {
    if (kind === "channel") this.off_mm += by_mm;
    else {
      const point: Vec3 = [...slicesHandle.point];
      point[MOVED[kind]] += by_mm;
      slicesHandle.point = point;
    }
    this.redraw();
  }

  /** Right widens the window, down makes the picture brighter; a pixel is half a percent of the width. */
  private shift(right_px: number, down_px: number): void {
    const [black, white] = this.context.store.state.looks.grey_window;
    const [width, middle] = [white - black, (white + black) / 2];
    const wide = Math.max(width * (1 + right_px / 200), 1);
    const at = middle - (width * down_px) / 200;
    this.window([Math.round(at - wide / 2), Math.round(at + wide / 2)]);
  }

  private window(grey_window: [number, number]): void {
    if (grey_window[0] < grey_window[1] && grey_window.every(Number.isFinite)) this.context.store.look({ grey_window });
  }

  private field(end: 0 | 1): HTMLInputElement {
    const input = h("input", { type: "number", step: "10", id: `grey-${end ? "white" : "black"}` });
    input.addEventListener("change", () => {
      const next: [number, number] = [...this.context.store.state.looks.grey_window];
      next[end] = input.valueAsNumber;
      this.window(next);
    });
    return input;
  }

  private windowing(): HTMLElement {
    const { facts } = this.context.store.state;
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
      button("To the docking point", () => this.goTo(this.context.store.state.plan.docking_point_mm)),
      this.placeWords,
    );
  }

  /** What the scan holds where the slices meet. */
  private atCross(scan: ScanVolume): string {
    const { structure, grey } = scan.at(slicesHandle.point);
    const unit = this.context.store.state.facts.modality === "CT" ? " HU" : "";
    const words = structure === "soft" ? "soft tissue" : structure || "outside the patient";
    return `At the cross: ${words}, ${String(Math.round(grey)).replace("-", "\u2212")}${unit}`;
  }

  /** While the plan moves the slices follow at a distance, for the solids come first. */
  private redraw(): void {
    if (this.timer) return;
    const wait = this.context.store.state.moving ? MOVING_MS : 0;
    this.timer = window.setTimeout(() => requestAnimationFrame(() => this.draw()), wait);
  }

  private draw(): void {
    this.timer = 0;
    const { scan, context } = this;
    const { plan, looks, blind } = context.store.state;
    const removal = blind ? null : context.store.state.removal;
    this.fields.forEach((field, end) => {
      if (document.activeElement !== field) field.value = String(looks.grey_window[end as 0 | 1]);
    });
    if (!scan || scan.level !== plan.level || !this.views[0]?.canvas.clientWidth) return;
    const began = performance.now();
    const { measurement } = context.store.state;
    const [window, point] = [looks.grey_window, slicesHandle.point];
    const shown = { scan, plan, removal, window, point, phase: looks.phase, measurement };
    const turning = { plan, phase: looks.phase, turned: looks.turned };
    for (const view of this.views) view.draw(cutOf(view.kind, slicesHandle.point, turning, this.off_mm), shown);
    setText(this.placeWords, this.atCross(scan));
    const { answer, fresh } = context.store.state;
    const { freed } = answer?.estimate ?? {};
    if (freed !== undefined) this.freed = freed && numbersShown(context.store.state) ? freed : null;
    const known = numbersShown(context.store.state) && answer?.estimate.level === plan.level ? this.freed : null;
    this.curve.show(known, slicesHandle.point[2], !fresh || freed === undefined);
    slicesHandle.drawn++;
    slicesHandle.took_ms = performance.now() - began;
  }
}
