// One slice on the page with its caption and letters, and the gestures on it.

import { penOf } from "../pictures/pen";
import { offPage, type SlicePlane } from "./reslice";
import { h, setText } from "../dom/elements";
import { lettersOf, SPOKEN, type Edge } from "../pictures/orientation_letters";
import type { Vec3 } from "../protocol/plan";
import { writeLetters } from "../solids/readback";
import { CAPTIONS, type SliceKind } from "./slice_planes";
import { SlicePainter, type SliceContent } from "./slice_painter";

export interface SliceGestures {
  /** The crosshair is put there. */
  point(point: Vec3): void;
  /** Is the point part of a measurement? The crosshair then stays. */
  measure(point: Vec3): boolean;
  /** The slice is moved along its normal. */
  move(by_mm: number): void;
  /** Black and white are shifted: pixels right (contrast) and down (brightness). */
  window(right_px: number, down_px: number): void;
  /** The slice fills the panel, or gives its place back. */
  enlarge(): void;
}

export class SliceView {
  readonly element: HTMLElement;
  readonly canvas: HTMLCanvasElement;
  cut: SlicePlane | null = null;
  private readonly caption = h("figcaption", { class: "slice-caption" });
  private readonly letters = new Map<Edge, HTMLElement>();
  private readonly larger = h("button", { type: "button", class: "enlarge", onclick: () => this.handlers.enlarge() });
  readonly painter = new SlicePainter();

  constructor(
    readonly kind: SliceKind,
    private readonly handlers: SliceGestures,
  ) {
    this.canvas = h("canvas", {
      tabindex: "0",
      role: "application",
      "aria-label": `${CAPTIONS[kind]} slice. Up and down arrow keys move the slice, with Shift they change the contrast.`,
    });
    const edges = (["top", "bottom", "left", "right"] as const).map((edge) => {
      const element = h("span", { class: `letter letter-${edge}` });
      this.letters.set(edge, element);
      return element;
    });
    this.element = h(
      "figure",
      { class: "slice" },
      h("div", { class: "picture slice-picture" }, this.canvas, h("div", { class: "letters" }, ...edges), this.larger),
      this.caption,
    );
    this.enlarged(false);
    this.listen();
  }

  enlarged(alone: boolean): void {
    setText(this.larger, alone ? "All" : "Enlarge");
    this.larger.setAttribute("aria-label", alone ? "Show all slices" : `Enlarge the ${CAPTIONS[this.kind]} slice`);
  }

  /** `over` draws on top, in pixels of the slice. */
  draw(
    cut: SlicePlane,
    shown: SliceContent,
    over: (to: CanvasRenderingContext2D, width: number) => void = () => undefined,
  ): void {
    const width = Math.round(this.canvas.clientWidth * Math.min(window.devicePixelRatio, 2));
    if (!width) return;
    if (this.canvas.width !== width) this.canvas.width = this.canvas.height = width;
    const to = penOf(this.canvas);
    this.painter.paint(to, width, cut, shown);
    over(to, width);
    this.cut = cut;
    this.name(cut, shown);
  }

  private name(cut: SlicePlane, { point, plan, phase }: SliceContent): void {
    for (const [edge, letter] of Object.entries(lettersOf(cut.right, cut.up)) as [Edge, string][]) {
      const element = this.letters.get(edge)!;
      setText(element, letter);
      element.title = letter
        .split(" ")
        .map((each) => SPOKEN[each] ?? each)
        .join(", ");
    }
    const { words, whole } = captionOf(this.kind, point, plan?.phases[phase]?.name ?? "");
    setText(this.caption, words);
    this.caption.title = whole;
  }

  private listen(): void {
    const { canvas } = this;
    let last: [number, number] | null = null;
    let windowing = false;
    canvas.addEventListener("pointerdown", (event) => {
      canvas.setPointerCapture(event.pointerId);
      windowing = event.button === 2 || event.shiftKey;
      last = [event.clientX, event.clientY];
      if (windowing) return;
      const point = this.pointAt(event);
      if (point && this.handlers.measure(point)) last = null;
      else this.put(event);
    });
    canvas.addEventListener("pointermove", (event) => {
      if (!last) return;
      if (windowing) this.handlers.window(event.clientX - last[0], event.clientY - last[1]);
      else this.put(event);
      last = [event.clientX, event.clientY];
    });
    for (const kind of ["pointerup", "pointercancel"] as const) canvas.addEventListener(kind, () => (last = null));
    canvas.addEventListener("contextmenu", (event) => event.preventDefault());
    canvas.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    canvas.addEventListener("keydown", (event) => this.pressed(event));
    canvas.addEventListener("dblclick", () => this.handlers.enlarge());
  }

  private put(event: PointerEvent): void {
    const point = this.pointAt(event);
    if (point) this.handlers.point(point);
  }

  private pointAt(event: PointerEvent): Vec3 | null {
    if (!this.cut) return null;
    const [scale, half] = [this.cut.width_mm / this.canvas.clientWidth, this.canvas.clientWidth / 2];
    return offPage(this.cut, (event.offsetX - half) * scale, (half - event.offsetY) * scale);
  }

  private wheel(event: WheelEvent): void {
    event.preventDefault();
    this.handlers.move(event.deltaY > 0 ? -0.5 : 0.5);
  }

  private pressed(event: KeyboardEvent): void {
    if (event.key === "Enter") {
      event.preventDefault();
      this.handlers.enlarge();
      return;
    }
    const step = KEYS[event.key];
    if (step === undefined || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    event.stopPropagation();
    if (!event.shiftKey) this.handlers.move(step[1] * MOVE_MM);
    else this.handlers.window(step[0] * WINDOW_PX, -step[1] * WINDOW_PX);
  }
}

/** What one arrow key moves the slice or the window by. */
const [MOVE_MM, WINDOW_PX] = [0.5, 10];

const KEYS: Record<string, [number, number]> = {
  ArrowUp: [0, 1],
  ArrowDown: [0, -1],
  ArrowRight: [1, 1],
  ArrowLeft: [-1, -1],
  PageUp: [0, 10],
  PageDown: [0, -10],
};

/** The slice as a PNG data URL, square in the middle of a picture of that size. */
export function snapshotOf(cut: SlicePlane, shown: SliceContent, [width, height]: [number, number]): string {
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [2 * width, 2 * height];
  const to = penOf(canvas);
  const side = Math.min(canvas.width, canvas.height);
  to.fillRect(0, 0, canvas.width, canvas.height);
  to.translate((canvas.width - side) / 2, (canvas.height - side) / 2);
  new SlicePainter().paint(to, side, cut, shown);
  to.resetTransform();
  writeLetters(canvas, lettersOf(cut.right, cut.up));
  return canvas.toDataURL("image/png");
}

const distance = (value_mm: number, plus: string, minus: string, digits = 1): string =>
  `${Math.abs(value_mm).toFixed(digits)} mm ${value_mm < 0 ? minus : plus}`;

/** From here on a tenth is left out under the slice, where the words would be cut off. */
const LONG_MM = 9.95;

/** Short under the slice, whole where one asks for it. */
function captionOf(kind: SliceKind, [x, y, z]: Vec3, phase: string): { words: string; whole: string } {
  const words = CAPTIONS[kind];
  if (kind === "channel") return { words, whole: `Along the channel, ${phase} phase` };
  const [value, plus, minus, from] = {
    axial: [z, "cranial", "caudal", "of the disc's middle"] as const,
    sagittal: [x, "left", "right", "of the midline"] as const,
    coronal: [y, "dorsal", "ventral", "of the canal's middle"] as const,
  }[kind];
  const short = distance(value, plus, minus, Math.abs(value) < LONG_MM ? 1 : 0);
  return { words: `${words} ${short}`, whole: `${words} ${distance(value, plus, minus)} ${from}` };
}
