// The level in 3D: camera gestures, marks drawn over it, snapshots. Knows nothing of the server.

import { PerspectiveCamera, WebGLRenderTarget } from "three";
import type { Anatomy } from "../solids/surface_meshes";
import type { MeshDetail } from "../solids/level_scene";
import {
  aimCamera,
  axesOf,
  nearer,
  panned,
  pixelsPerMm,
  presetView,
  PRESETS,
  turnedBy,
  type Preset,
  type OrbitView,
} from "../solids/camera";
import { entryPoint } from "../solids/entry_point";
import { button, h } from "../dom/elements";
import { placedPhases } from "../model/channel_geometry";
import { measuredWords } from "../model/measuring";
import { listenGestures, type DragHandler } from "../dom/gestures";
import { type Edge, lettersOf } from "../pictures/orientation_letters";
import { legend, SceneMarks, type MarkKind } from "./scene_marks";
import type { Plan, Vec3 } from "../protocol/plan";
import { firstHit } from "../solids/ray_picking";
import { readInto, writeLetters } from "../solids/readback";
import { ratioOf, type Drawing } from "../solids/renderer";
import type { SceneStore, Stage } from "./stage";

/** What tests and other parts may ask of the bench. */
export interface SceneHandle {
  /** Turns the view so that a point (level mm) is in its middle. */
  focus(point: Vec3): void;
  /** Looks at the scene from one of the set places. */
  show(preset: Preset): void;
  /** Frames drawn so far. */
  drawn: number;
  mode: MeshDetail;
  canvas: HTMLCanvasElement | null;
  /** Where a mark is on the canvas, px; null where it is not seen. */
  seen(kind: MarkKind): [number, number] | null;
  /** What each edge of the picture is toward, and how long a millimetre is in its middle, px of the page. */
  letters: Record<Edge, string>;
  pixels_per_mm: number;
  /** A PNG data URL of another plan of the level by the same camera; "" where another level is shown. */
  snapshot(plan: Plan, width: number, height: number): Promise<string>;
}

export const sceneHandle: SceneHandle = {
  focus: () => undefined,
  show: () => undefined,
  drawn: 0,
  mode: "full",
  canvas: null,
  seen: () => null,
  letters: { top: "", bottom: "", left: "", right: "" },
  pixels_per_mm: 0,
  snapshot: () => Promise.resolve(""),
};

/** The line of sight through a pixel. */
export type SightLine = (x: number, y: number) => { from: Vec3; direction: Vec3 };

/** What happens when a mark is taken hold of; null where it cannot be moved. */
export type GrabHandler = (kind: "dock" | "entry", anatomy: Anatomy, sight: SightLine) => DragHandler | null;

/** Degrees turned by one pixel of a drag. */
const TURN_DEG = 0.4;

/** How near the pointer must come to a mark to drag it, px. */
const GRIP_PX = 16;

/** Pixels of a snapshot for one of the page's. */
const SHARP = 2;

const CLEAR = { dark: "#14181c", light: "#e9edf0" };

export class SceneView {
  private readonly camera = new PerspectiveCamera();
  private readonly marks = new SceneMarks();
  private readonly canvas: HTMLCanvasElement;
  private readonly words = h("p", { class: "picture-words", role: "status" });
  private view: OrbitView;
  /** Width and height on the page, px; to ask the page for them at every picture would have it laid out anew. */
  private size: [number, number] = [0, 0];
  private preset: Preset | null = "oblique";

  constructor(
    root: HTMLElement,
    private readonly stage: Stage,
    private readonly drawing: Drawing,
    private readonly grab: GrabHandler | null,
  ) {
    const { looks, plan } = this.store.state;
    this.view = presetView("oblique", looks.turned, plan.side);
    this.canvas = drawing.renderer.domElement;
    this.canvas.tabIndex = 0;
    this.canvas.setAttribute("role", "application");
    this.canvas.setAttribute(
      "aria-label",
      "The level in 3D. Arrow keys turn it, with Shift they move it, plus and minus come closer and go back.",
    );
    const frame = h(
      "div",
      { class: "picture" },
      this.canvas,
      this.marks.frame,
      this.marks.callout,
      this.words,
      legend(grab !== null),
    );
    this.canvas.after(this.marks.svg);
    root.append(frame, this.buttons());
    sceneHandle.canvas = this.canvas;
    sceneHandle.focus = (point) => this.turnTo({ ...this.view, target: point }, null);
    sceneHandle.show = (preset) => this.show(preset);
    sceneHandle.seen = (kind) => this.marks.seen(kind, this.camera, ...this.size);
    sceneHandle.snapshot = (plan, width, height) => this.snapshot(plan, width, height);
    new ResizeObserver(() => this.fit(frame)).observe(frame);
    this.listen();
  }

  private get store(): SceneStore {
    return this.stage.store;
  }

  private buttons(): HTMLElement {
    const views = Object.entries(PRESETS).map(([preset, words]) =>
      button(words, () => this.show(preset as Preset), { "data-view": preset }),
    );
    const after = button("Afterwards", () => this.flip(), {
      "aria-pressed": "false",
      title: "The bone that goes left out",
    });
    this.store.subscribe((state) =>
      after.setAttribute("aria-pressed", String(Boolean(state.looks.shown["afterwards"]))),
    );
    const group = h("div", { class: "picture-buttons", role: "group", "aria-label": "Views" }, ...views, after);
    return h("div", { class: "picture-foot" }, group);
  }

  private flip(): void {
    const { shown } = this.store.state.looks;
    this.store.look({ shown: { ...shown, afterwards: !shown["afterwards"] } });
  }

  private show(preset: Preset): void {
    const { looks, plan } = this.store.state;
    // what lies caudal of the level is taken away to look through it, and comes back with the next view
    if (preset === "level") this.store.look({ clip: "axial", clip_mm: 0 });
    else if (this.preset === "level" && looks.clip) this.store.look({ clip: "" });
    this.turnTo(presetView(preset, looks.turned, plan.side), preset);
  }

  /** The place on bone under the pointer joins a measurement. */
  private clicked(x: number, y: number): void {
    const surfaces = this.stage.scene?.anatomy.surfaces;
    const bone = surfaces?.["bone_proxy"] ?? surfaces?.["bone"];
    if (!this.store.state.measurement || !bone) return;
    const { from, direction } = this.sight(x, y);
    const hit = firstHit(bone, from, direction, { there: (point) => this.isDrawn(point) });
    if (hit) this.store.point(hit.point);
  }

  private isDrawn(point: Vec3): boolean {
    const { looks, plan } = this.store.state;
    const across = plan.side === "left" ? 1 : -1;
    if (looks.clip === "axial") return point[2] >= looks.clip_mm;
    if (looks.clip === "coronal") return point[1] <= looks.clip_mm;
    return looks.clip !== "sagittal" || across * point[0] <= across * looks.clip_mm;
  }

  private listen(): void {
    const { stage, store } = this;
    stage.scheduler.register("bench", (detail) => this.draw(detail));
    stage.scheduler.register("marks", () => this.mark());
    stage.changed(() => (this.words.textContent = stage.problem));
    listenGestures(this.canvas, {
      turn: (right, down) => this.turnTo(turnedBy(this.view, -right * TURN_DEG, down * TURN_DEG), null),
      shift: (right, down) => this.turnTo(panned(this.view, right / this.size[1], -down / this.size[1]), this.preset),
      zoom: (by) => this.turnTo(nearer(this.view, by), this.preset),
      grab: (x, y) => this.grabbed(x, y),
      click: (x, y) => this.clicked(x, y),
      hover: (x, y) => (this.canvas.style.cursor = this.grab && this.under(x, y) ? "grab" : ""),
    });
    let { turned } = this.store.state.looks;
    let { side, level } = this.store.state.plan;
    store.subscribe((state) => {
      const same = state.looks.turned === turned && state.plan.side === side && state.plan.level === level;
      ({ turned } = state.looks);
      ({ side, level } = state.plan);
      if (!same) this.show(this.preset ?? "oblique");
    });
  }

  /** Another plan of the level by the same camera, its sweep painted on the bone; "" where another level is shown. */
  private async snapshot(plan: Plan, width: number, height: number): Promise<string> {
    const { renderer } = this.drawing;
    const canvas = document.createElement("canvas");
    const target = new WebGLRenderTarget(SHARP * width, SHARP * height, { samples: this.drawing.slow ? 0 : 4 });
    const camera = new PerspectiveCamera();
    camera.aspect = width / height;
    aimCamera(camera, this.view);
    this.stage.withPlan(plan, (scene) => {
      renderer.setClearColor(CLEAR[this.store.state.looks.theme]);
      scene.detail("proxy");
      scene.drawBench(renderer, camera, target);
      readInto(canvas, renderer, target);
      const { right, up } = axesOf(this.view);
      writeLetters(canvas, lettersOf(right, up));
    });
    target.dispose();
    return canvas.width === SHARP * width ? canvas.toDataURL("image/png") : "";
  }

  private turnTo(view: OrbitView, preset: Preset | null): void {
    this.view = view;
    this.preset = preset;
    this.stage.scheduler.touch("bench");
  }

  private fit(frame: HTMLElement): void {
    const [width, height] = (this.size = [frame.clientWidth, frame.clientHeight]);
    if (!width || !height) return;
    this.drawing.renderer.setSize(width, height);
    this.camera.aspect = width / height;
    this.stage.scheduler.redraw("bench");
  }

  private draw(detail: MeshDetail): void {
    const [{ scene }, { renderer }] = [this.stage, this.drawing];
    if (!scene || !this.size[0]) return;
    const ratio = ratioOf(this.drawing, detail);
    if (renderer.getPixelRatio() !== ratio) renderer.setPixelRatio(ratio);
    renderer.setClearColor(CLEAR[this.store.state.looks.theme]);
    aimCamera(this.camera, this.view);
    scene.detail(detail);
    scene.drawBench(renderer, this.camera);
    this.mark();
    sceneHandle.drawn++;
    sceneHandle.mode = detail;
  }

  private mark(): void {
    const { plan, answer, fresh, blind } = this.store.state;
    const phases = placedPhases(plan);
    const blocker = fresh && !blind ? (answer?.blocker ?? null) : null;
    this.marks.put("dock", plan.docking_point_mm);
    this.marks.put("pivot", phases[0]?.pivot ?? null);
    this.marks.put("entry", entryPoint(plan, this.stage.scene?.anatomy ?? null));
    this.marks.put("blocker", blocker?.point_mm ?? null);
    this.marks.put("next", blocker?.target_mm ?? null);
    this.marks.explain(blocker?.words ?? "");
    const { right, up } = axesOf(this.view);
    sceneHandle.letters = lettersOf(right, up);
    sceneHandle.pixels_per_mm = pixelsPerMm(this.view, this.size[1]);
    this.marks.name(sceneHandle.letters);
    this.marks.place(this.camera, ...this.size);
    this.marks.scale(sceneHandle.pixels_per_mm, ...this.size);
    const { measurement } = this.store.state;
    const words = measurement ? measuredWords(measurement) : "";
    this.marks.measure(measurement?.points ?? [], words, this.camera, ...this.size);
  }

  private under(x: number, y: number): "dock" | "entry" | null {
    // who measures moves nothing
    if (this.store.state.measurement) return null;
    const near = (kind: MarkKind) => {
      const at = this.marks.seen(kind, this.camera, ...this.size);
      return at !== null && Math.hypot(at[0] - x, at[1] - y) < GRIP_PX;
    };
    return near("dock") ? "dock" : near("entry") ? "entry" : null;
  }

  private grabbed(x: number, y: number): DragHandler | null {
    const kind = this.under(x, y);
    const anatomy = this.stage.scene?.anatomy;
    const at = kind && this.marks.seen(kind, this.camera, ...this.size);
    if (!kind || !anatomy || !at) return null;
    // a mark taken hold of beside its middle must not jump under the pointer
    const [aside, below] = [at[0] - x, at[1] - y];
    return this.grab?.(kind, anatomy, (px, py) => this.sight(px + aside, py + below)) ?? null;
  }

  /** The line of sight through a pixel. */
  private sight(x: number, y: number): { from: Vec3; direction: Vec3 } {
    const [width, height] = this.size;
    const { right, up, toward } = axesOf(this.view);
    const high = Math.tan((this.camera.fov * Math.PI) / 360);
    const [u, v] = [((2 * x) / width - 1) * high * this.camera.aspect, (1 - (2 * y) / height) * high];
    const direction = [0, 1, 2].map((i) => u * right[i]! + v * up[i]! - toward[i]!) as Vec3;
    const long = Math.hypot(...direction);
    return { from: this.camera.position.toArray(), direction: direction.map((each) => each / long) as Vec3 };
  }
}
