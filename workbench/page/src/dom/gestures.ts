// Pointer, touch, wheel and keyboard on a picture, reported as turn, shift, zoom, drag and hover.

export interface GestureHandlers {
  turn(right_px: number, down_px: number): void;
  shift(right_px: number, down_px: number): void;
  zoom(by: number): void;
  /** May what is under the pointer be dragged? What is returned hears of each movement and of the end. */
  grab?(x: number, y: number): DragHandler | null;
  /** A press and release in one place. */
  click?(x: number, y: number): void;
  /** The pointer passes without a button held. */
  hover?(x: number, y: number): void;
}

export interface DragHandler {
  move(x: number, y: number): void;
  end(kept: boolean): void;
}

/** What one arrow key turns or shifts by, and one key of zoom. */
const [KEY_PX, KEY_ZOOM] = [24, 1.15];

const WHEEL_ZOOM = 0.0012;

/** A pointer that moves less than this between press and release clicks, px. */
const CLICK_PX = 4;

export function listenGestures(canvas: HTMLElement, handlers: GestureHandlers): void {
  new GestureListener(canvas, handlers).listen();
}

class GestureListener {
  private readonly fingers = new Map<number, { x: number; y: number }>();
  private drag: DragHandler | null = null;
  private shifting = false;
  /** Where the pointer went down, while it has hardly moved since. */
  private pressed: { x: number; y: number } | null = null;

  constructor(
    private readonly canvas: HTMLElement,
    private readonly handlers: GestureHandlers,
  ) {}

  listen(): void {
    const { canvas } = this;
    canvas.addEventListener("pointerdown", (event) => this.down(event));
    canvas.addEventListener("pointermove", (event) => this.moved(event));
    for (const kind of ["pointerup", "pointercancel"] as const) {
      canvas.addEventListener(kind, (event) => this.up(event, kind === "pointerup"));
    }
    canvas.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    canvas.addEventListener("keydown", (event) => this.key(event));
    canvas.addEventListener("contextmenu", (event) => event.preventDefault());
  }

  private down(event: PointerEvent): void {
    this.canvas.setPointerCapture(event.pointerId);
    this.fingers.set(event.pointerId, place(event));
    this.pressed = event.button === 0 && this.fingers.size === 1 ? place(event) : null;
    this.shifting = event.button === 2 || event.shiftKey;
    if (this.fingers.size > 1) this.drop(false);
    else this.drag = (event.button === 0 && this.handlers.grab?.(event.offsetX, event.offsetY)) || null;
  }

  private moved(event: PointerEvent): void {
    const before = this.fingers.get(event.pointerId);
    if (!before) {
      this.handlers.hover?.(event.offsetX, event.offsetY);
      return;
    }
    const now = place(event);
    const [dx, dy] = [now.x - before.x, now.y - before.y];
    const { pressed } = this;
    if (pressed && Math.hypot(now.x - pressed.x, now.y - pressed.y) > CLICK_PX) this.pressed = null;
    if (this.drag) this.drag.move(event.offsetX, event.offsetY);
    else if (this.fingers.size === 2) this.pinch(event.pointerId, before, now);
    else if (this.shifting) this.handlers.shift(dx, dy);
    else this.handlers.turn(dx, dy);
    this.fingers.set(event.pointerId, now);
  }

  /** Two fingers: their distance zooms, their middle shifts. */
  private pinch(id: number, before: { x: number; y: number }, now: { x: number; y: number }): void {
    const other = [...this.fingers].find(([each]) => each !== id)?.[1];
    if (!other) return;
    const apart = (a: { x: number; y: number }) => Math.hypot(a.x - other.x, a.y - other.y) || 1;
    this.handlers.zoom(apart(now) / apart(before));
    this.handlers.shift((now.x - before.x) / 2, (now.y - before.y) / 2);
  }

  private up(event: PointerEvent, kept: boolean): void {
    this.fingers.delete(event.pointerId);
    if (this.pressed && kept && !this.drag) this.handlers.click?.(event.offsetX, event.offsetY);
    this.pressed = null;
    this.drop(kept);
  }

  private drop(kept: boolean): void {
    const drag = this.drag;
    this.drag = null;
    drag?.end(kept);
  }

  private wheel(event: WheelEvent): void {
    event.preventDefault();
    this.handlers.zoom(Math.exp(-event.deltaY * WHEEL_ZOOM));
  }

  private key(event: KeyboardEvent): void {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const direction = ARROWS[event.key];
    if (direction) {
      const act = event.shiftKey ? this.handlers.shift : this.handlers.turn;
      act.call(this.handlers, direction[0] * KEY_PX, direction[1] * KEY_PX);
    } else if (event.key === "+" || event.key === "=") this.handlers.zoom(KEY_ZOOM);
    else if (event.key === "-") this.handlers.zoom(1 / KEY_ZOOM);
    else return;
    event.preventDefault();
    event.stopPropagation();
  }
}

const ARROWS: Record<string, [number, number]> = {
  ArrowLeft: [-1, 0],
  ArrowRight: [1, 0],
  ArrowUp: [0, -1],
  ArrowDown: [0, 1],
};

const place = (event: PointerEvent) => ({ x: event.clientX, y: event.clientY });
