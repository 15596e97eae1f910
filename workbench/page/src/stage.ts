// What bench and endoscope's view share: the renderer, the level's solids, and when to draw.

import { WebGLRenderer } from "three";
import { anatomyOf, type Anatomy } from "./anatomy";
import { BenchScene, type Detail } from "./bench_scene";
import type { Desk } from "./desk";
import { Loads } from "./loads";
import { Pacer } from "./pacer";
import type { Looks, State } from "./store";

/** Names of renderers that draw on the processor. */
const SOFTWARE = /swiftshader|llvmpipe|software|basic render/i;

/** Pixel ratios where the processor draws. */
const [SLOW_MOVING, SLOW_AT_REST] = [0.8, 1.5];

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
    this.slow = drawnOnProcessor();
    this.renderer = rendererOrNull(this.slow);
    if (!this.renderer) return;
    desk.store.subscribe((state, changed) => this.follow(state, changed));
    void this.load(desk.store.state.plan.level);
  }

  /** Pixels drawn for one of the page's: few while something moves on the processor, more at rest for smooth edges. */
  ratio(detail: Detail): number {
    if (!this.slow) return Math.min(window.devicePixelRatio, 2);
    return detail === "proxy" ? SLOW_MOVING : SLOW_AT_REST;
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
    if (changed.has("answer") || changed.has("blind")) this.pacer.redraw("marks");
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

function rendererOrNull(slow: boolean): WebGLRenderer | null {
  // three.js tells of a missing WebGL2 on the console too: asked for here first, to stay quiet
  const canvas = document.createElement("canvas");
  // on the processor, smoothing edges makes every triangle cost three times as much (measured): it is done by size there
  const context = canvas.getContext("webgl2", { antialias: !slow, alpha: false, powerPreference: "high-performance" });
  if (!context) return null;
  const renderer = new WebGLRenderer({ canvas, context });
  renderer.setClearColor("#14181c");
  return renderer;
}

/** Does this browser draw on the processor? Asked of a context of its own, for edges cannot be chosen later. */
function drawnOnProcessor(): boolean {
  const context = document.createElement("canvas").getContext("webgl2");
  const told = context?.getExtension("WEBGL_debug_renderer_info");
  const name = context && told ? String(context.getParameter(told.UNMASKED_RENDERER_WEBGL)) : "";
  context?.getExtension("WEBGL_lose_context")?.loseContext();
  return SOFTWARE.test(name);
}
