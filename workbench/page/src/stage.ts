// What bench and endoscope's view share: the renderer, the level's solids, and when to draw.

import { WebGLRenderer } from "three";
import { anatomyOf, type Anatomy } from "./anatomy";
import { BenchScene } from "./bench_scene";
import type { Desk } from "./desk";
import { Loads } from "./loads";
import { Pacer } from "./pacer";
import type { Looks, State } from "./store";

/** Names of renderers that draw on the processor. */
const SOFTWARE = /swiftshader|llvmpipe|software|basic render/i;

const stages = new WeakMap<Desk, Stage>();

export class Stage {
  readonly pacer = new Pacer();
  readonly renderer: WebGLRenderer | null;
  /** Drawn on the processor: fewer pixels then. */
  readonly slow: boolean;
  scene: BenchScene | null = null;
  /** Why there are no solids to show, in words. */
  problem = "";
  private readonly anatomies = new Loads<Anatomy>("scene.bin", (frame) => anatomyOf(frame));
  private wanted = "";
  private looks: Looks;
  private readonly listeners: (() => void)[] = [];

  static of(desk: Desk): Stage {
    const found = stages.get(desk) ?? new Stage(desk);
    stages.set(desk, found);
    return found;
  }

  private constructor(private readonly desk: Desk) {
    this.looks = desk.store.state.looks;
    this.renderer = rendererOrNull();
    this.slow = this.renderer !== null && SOFTWARE.test(rendererName(this.renderer));
    if (!this.renderer) return;
    desk.store.subscribe((state, changed) => this.follow(state, changed));
    void this.load(desk.store.state.plan.level);
  }

  /** Told when another level's solids stand on the stage, or why they cannot. */
  changed(listener: () => void): void {
    this.listeners.push(listener);
    if (this.scene) listener();
  }

  private follow(state: State, changed: ReadonlySet<keyof State>): void {
    const before = this.looks;
    this.looks = state.looks;
    this.pacer.held = state.moving;
    if (changed.has("plan") && state.plan.level !== this.wanted) void this.load(state.plan.level);
    if (changed.has("plan") || changed.has("looks")) this.place();
    if (changed.has("removal")) this.remove();
    if (changed.has("plan")) this.pacer.touch("bench", "scope");
    if (changed.has("removal")) this.pacer.redraw("bench", "scope");
    if (changed.has("answer")) this.pacer.redraw("marks");
    if (changed.has("looks")) this.followLooks(before, state.looks);
  }

  private followLooks(before: Looks, now: Looks): void {
    const differ = (...keys: (keyof Looks)[]) => keys.some((key) => before[key] !== now[key]);
    if (differ("scope_past_mm", "scope_view_deg", "scope_turn_deg")) this.pacer.touch("scope");
    if (differ("phase", "shown", "theme")) this.pacer.redraw("bench", "scope");
  }

  private place(): void {
    const { plan, looks } = this.desk.store.state;
    if (this.scene?.anatomy.level !== plan.level) return;
    this.scene.place(plan, looks.phase);
    this.scene.show(looks.shown);
  }

  private remove(): void {
    const { removal, plan } = this.desk.store.state;
    this.scene?.remove(removal?.header.level === plan.level ? removal : null);
  }

  private async load(level: string): Promise<void> {
    this.wanted = level;
    try {
      const anatomy = await this.anatomies.of(level);
      if (this.wanted !== level) return;
      this.scene?.dispose();
      this.scene = new BenchScene(anatomy);
      this.problem = "";
      this.place();
      this.remove();
    } catch (why) {
      this.problem = why instanceof Error ? why.message : String(why);
    }
    this.listeners.forEach((listener) => listener());
    this.pacer.redraw("bench", "scope");
  }
}

function rendererOrNull(): WebGLRenderer | null {
  // three.js tells of a missing WebGL2 on the console too: asked for here first, to stay quiet
  const canvas = document.createElement("canvas");
  const context = canvas.getContext("webgl2", { antialias: true, alpha: false, powerPreference: "high-performance" });
  if (!context) return null;
  const renderer = new WebGLRenderer({ canvas, context });
  renderer.setClearColor("#14181c");
  return renderer;
}

function rendererName(renderer: WebGLRenderer): string {
  const context = renderer.getContext();
  const told = context.getExtension("WEBGL_debug_renderer_info");
  return told ? String(context.getParameter(told.UNMASKED_RENDERER_WEBGL)) : "";
}
