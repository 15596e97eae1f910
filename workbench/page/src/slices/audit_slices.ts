// A level before and after an operation, on the same planes: one swipe for all, the bone taken and planned on both.

import type { Context } from "../session/context";
import { button, freshId, h, setText } from "../dom/elements";
import type { Frame } from "../protocol/binary_frame";
import { auditHeader, scanHeader, type AuditHeader, type RemovalVolumes } from "../protocol/frame_headers";
import type { Vec3 } from "../protocol/plan";
import { BONE, CANAL, MARK, REMOVED, SAC } from "../pictures/palette";
import { FrameCache } from "../session/frame_cache";
import type { VoxelVolume } from "./reslice";
import { scanOf, type ScanVolume } from "./scan_volume";
import { SlicePainter, type SliceContent } from "./slice_painter";
import { cutOf, MOVED, type SliceKind } from "./slice_planes";
import { SliceView } from "./slice_view";

const SHOWN: readonly Exclude<SliceKind, "channel">[] = ["axial", "sagittal", "coronal"];

interface AuditMaps {
  middle: Vec3;
  after: VoxelVolume<Int16Array>;
  outside: number;
  taken: VoxelVolume<Uint8Array>;
  planned: VoxelVolume<Uint8Array> | null;
}

function mapsOf(frame: Frame<AuditHeader>): AuditMaps {
  const { volumes, outside, middle_mm } = frame.header;
  const bytes = (name: string) => ({ values: frame.array(name, "uint8"), ...volumes[name]! });
  return {
    middle: middle_mm,
    outside,
    after: { values: frame.array("after", "int16"), ...volumes["after"]! },
    taken: bytes("taken"),
    planned: frame.has("planned") ? bytes("planned") : null,
  };
}

export interface AuditSlices {
  element: HTMLElement;
  /** Shows a level's scans and maps, which are fetched once. */
  show(level: string): Promise<void>;
  goTo(point: Vec3): void;
  redraw(): void;
}

export function auditSlices({ store }: Context): AuditSlices {
  const scans = new FrameCache("scan.bin", scanHeader, scanOf);
  const audits = new FrameCache("audit.bin", auditHeader, mapsOf);
  let shown: { scan: ScanVolume; after: ScanVolume; maps: AuditMaps } | null = null;
  let point: Vec3 = [0, 0, 0];
  const words = h("p", { class: "picture-words", role: "status" }, "Both scans are being fetched.");
  const swipe = h("input", { id: freshId("swipe"), type: "range", min: "0", max: "100", value: "50" });
  swipe.addEventListener("input", () => redraw());
  const to = (value: number) => {
    swipe.value = String(value);
    redraw();
  };
  const bar = h(
    "div",
    { class: "windowing swipe" },
    h("label", { for: swipe.id }, "Swipe"),
    button("Before", () => to(100)),
    swipe,
    button("After", () => to(0)),
  );
  const views = SHOWN.map((kind) => ({ view: viewOf(kind), over: new SlicePainter() }));
  const row = h("div", { class: "slices audit-slices" }, ...views.map(({ view }) => view.element));
  const element = h("div", { class: "slices-part" }, bar, words, row, legend());
  let waiting = false;

  function viewOf(kind: Exclude<SliceKind, "channel">): SliceView {
    const view: SliceView = new SliceView(kind, {
      point: goTo,
      measure: () => false,
      move: (by_mm) => goTo(point.map((each, axis) => (axis === MOVED[kind] ? each + by_mm : each)) as Vec3),
      window: (right_px, down_px) => {
        const [black, white] = store.state.looks.grey_window;
        const [half, middle] = [((white - black) / 2) * (1 + right_px / 200), (white + black) / 2];
        const at = middle - ((white - black) * down_px) / 200;
        if (half > 0) store.look({ grey_window: [Math.round(at - half), Math.round(at + half)] });
      },
      enlarge: () => {
        const alone = row.toggleAttribute("data-alone");
        for (const each of views) each.view.element.hidden = alone && each.view !== view;
        view.enlarged(alone);
        redraw();
      },
    });
    return view;
  }

  function goTo(to_mm: Vec3): void {
    point = to_mm;
    redraw();
  }

  function redraw(): void {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(draw);
  }

  function draw(): void {
    waiting = false;
    if (!shown) return;
    const { looks, plan } = store.state;
    const { scan, after, maps } = shown;
    const share = swipe.valueAsNumber / 100;
    const turning = { plan, phase: 0, turned: looks.turned };
    const content = {
      plan: null,
      window: looks.grey_window,
      point,
      phase: 0,
      measurement: null,
      planned: maps.planned,
    };
    const before: SliceContent = { ...content, scan, removal: removalOf(scan.level, maps.taken), outlined: false };
    for (const { view, over } of views) {
      const cut = cutOf(view.kind, point, turning);
      view.draw(cut, before, (on, width) => {
        const edge = Math.round(share * width);
        on.save();
        on.beginPath();
        on.rect(edge, 0, width - edge, width);
        on.clip();
        over.paint(on, width, cut, { ...before, scan: after, outlined: true });
        on.restore();
        named(on, width, edge);
      });
    }
  }

  store.subscribe((_, changed) => {
    if (changed.has("looks")) redraw();
  });
  new ResizeObserver(redraw).observe(row);
  return {
    element,
    goTo,
    redraw,
    async show(level) {
      if (shown?.scan.level === level) {
        redraw();
        return;
      }
      try {
        const [scan, maps] = await Promise.all([scans.of(level), audits.of(level)]);
        const after = { ...scan, grey: maps.after, step: 1, zero: 0, outside: maps.outside };
        shown = { scan, after, maps };
        setText(words, "");
        goTo(maps.middle);
      } catch (why) {
        setText(words, why instanceof Error ? why.message : String(why));
      }
    },
  };
}

/** The bone taken as the painter takes a removal. */
function removalOf(level: string, { values, shape, index_of_level }: VoxelVolume<Uint8Array>): RemovalVolumes {
  const header = { schema: "", level, arrays: {}, shape, index_of_level };
  return { header, task: values, cone: values, bone: values, resection: null, instant: 0 };
}

/** The edge between both scans, and which is which. */
function named(to: CanvasRenderingContext2D, width: number, edge: number): void {
  to.font = `bold ${Math.max(width / 24, 11)}px system-ui, sans-serif`;
  to.lineWidth = 3;
  to.strokeStyle = "#000000";
  to.fillStyle = MARK;
  const below = 0.24 * width;
  for (const [words, room, at, align] of [
    ["before", edge, edge - 6, "right"],
    ["after", width - edge, edge + 6, "left"],
  ] as const) {
    if (room < width / 5) continue;
    to.textAlign = align;
    to.strokeText(words, at, below);
    to.fillText(words, at, below);
  }
  to.textAlign = "left";
  if (edge > 0 && edge < width) {
    to.fillStyle = "#000000";
    to.fillRect(edge - 1.5, 0, 3, width);
    to.fillStyle = MARK;
    to.fillRect(edge - 0.5, 0, 1, width);
  }
}

const legend = (): HTMLElement =>
  h(
    "ul",
    { class: "legend slice-legend", "aria-label": "Colours on the slices" },
    ...(
      [
        ["bone taken (after: its outline)", REMOVED],
        ["planned to be taken", MARK],
        ["bone before", BONE],
        ["canal before", CANAL],
        ["sac before", SAC],
      ] as const
    ).map(([words, colour]) => {
      const swatch = h("span", { class: "line-swatch" });
      swatch.style.background = colour;
      return h("li", {}, swatch, words);
    }),
  );
