// Slices of a scan that lies in the page itself: cross-hair, wheel and grey values, without a server.

import { h } from "../dom/elements";
import type { State, ViewSettings } from "../model/store";
import type { Vec3 } from "../protocol/plan";
import type { ScanVolume } from "./scan_volume";
import { cutOf, KINDS, MOVED, type SliceKind } from "./slice_planes";
import { SliceView } from "./slice_view";

/** What the slices follow. */
type SliceState = Pick<State, "plan" | "looks" | "removal">;

interface SliceStore {
  readonly state: SliceState;
  subscribe(listener: (state: SliceState) => void): void;
  look(change: Partial<ViewSettings>): void;
}

/** Grey values that one pixel of a drag shifts the window by, as a share of its width. */
const WINDOW_STEP = 0.005;

export function fixedSlices(root: HTMLElement, store: SliceStore, scan: ScanVolume): void {
  let point: Vec3 = [...store.state.plan.docking_point_mm];
  let off_mm = 0;
  const row = h("div", { class: "slices" });
  const views = KINDS.map((kind) => viewOf(kind));
  row.append(...views.map((view) => view.element));
  root.append(row);

  function viewOf(kind: SliceKind): SliceView {
    const view: SliceView = new SliceView(kind, {
      point: (to) => {
        point = to;
        draw();
      },
      measure: () => false,
      move: (by_mm) => {
        if (kind === "channel") off_mm += by_mm;
        else point = point.map((each, axis) => (axis === MOVED[kind] ? each + by_mm : each)) as Vec3;
        draw();
      },
      window: (right_px, down_px) =>
        store.look({ grey_window: shifted(store.state.looks.grey_window, right_px, down_px) }),
      enlarge: () => {
        const alone = row.toggleAttribute("data-alone");
        for (const each of views) each.element.hidden = alone && each !== view;
        view.enlarged(alone);
        draw();
      },
    });
    return view;
  }

  function draw(): void {
    const { plan, looks, removal } = store.state;
    const turning = { plan, phase: looks.phase, turned: looks.turned };
    const content = { scan, plan, removal, window: looks.grey_window, point, phase: looks.phase, measurement: null };
    for (const view of views) view.draw(cutOf(view.kind, point, turning, off_mm), content);
  }

  store.subscribe(draw);
  new ResizeObserver(draw).observe(row);
}

/** Right drags make the window wider, down drags make it darker. */
function shifted([black, white]: [number, number], right_px: number, down_px: number): [number, number] {
  const wide = white - black;
  const [middle, half] = [
    (black + white) / 2 + down_px * WINDOW_STEP * wide,
    (wide / 2) * (1 + right_px * WINDOW_STEP),
  ];
  return [middle - half, middle + half];
}
