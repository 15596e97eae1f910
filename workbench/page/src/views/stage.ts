// What the 3D view and the endoscope's view share: renderer, the level's scene, and when to draw.

import type { Anatomy } from "../solids/surface_meshes";
import { LevelScene } from "../solids/level_scene";
import { DrawScheduler } from "./draw_scheduler";
import type { Plan, Vec3 } from "../protocol/plan";
import { drawingOrNull } from "../solids/renderer";
import type { ViewSettings, State } from "../model/store";

/** What the pictures show of the page's state. */
export type SceneState = Pick<
  State,
  "plan" | "looks" | "removal" | "answer" | "fresh" | "blind" | "moving" | "measurement"
>;

/** The page's store as far as the pictures need it; the report's viewer has a smaller one. */
export interface SceneStore {
  readonly state: SceneState;
  subscribe(listener: (state: SceneState, changed: ReadonlySet<string>) => void): void;
  look(change: Partial<ViewSettings>): void;
  /** A point that a person showed; does it belong to a measurement? */
  point(point: Vec3): boolean;
}

export class Stage {
  readonly scheduler = new DrawScheduler();
  readonly drawing = drawingOrNull();
  scene: LevelScene | null = null;
  /** Why there are no solids to show, in words. */
  problem = "";
  private wanted = "";
  private looks: ViewSettings;
  private readonly listeners: (() => void)[] = [];

  constructor(
    readonly store: SceneStore,
    private readonly anatomyOf: (level: string) => Promise<Anatomy>,
  ) {
    this.looks = store.state.looks;
    if (!this.drawing) return;
    store.subscribe((state, changed) => this.follow(state, changed));
    void this.load(store.state.plan.level);
  }

  /** Hears when another level's solids stand on the stage, or why they cannot. */
  changed(listener: () => void): void {
    this.listeners.push(listener);
    if (this.scene) listener();
  }

  /** Stands another plan of the level on the stage while a picture of it is taken. */
  withPlan(plan: Plan, picture: (scene: LevelScene) => void): void {
    if (this.scene?.anatomy.level !== plan.level) return;
    this.scene.place(plan, this.looks.phase);
    this.scene.remove(null);
    picture(this.scene);
    this.place();
    this.remove();
    this.scheduler.redraw("bench", "scope");
  }

  private follow(state: SceneState, changed: ReadonlySet<string>): void {
    const before = this.looks;
    this.looks = state.looks;
    this.scheduler.held = state.moving;
    const again = changed.has("link") && this.problem !== "";
    if (again || (changed.has("plan") && state.plan.level !== this.wanted)) void this.load(state.plan.level);
    if (changed.has("plan") || changed.has("looks")) this.place();
    if (changed.has("removal") || changed.has("blind")) this.remove();
    if (changed.has("plan")) this.scheduler.touch("bench", "scope");
    if (changed.has("removal") || changed.has("blind")) this.scheduler.redraw("bench", "scope");
    if (changed.has("answer") || changed.has("blind") || changed.has("measurement")) this.scheduler.redraw("marks");
    if (changed.has("looks")) this.followLooks(before, state.looks);
  }

  private followLooks(before: ViewSettings, now: ViewSettings): void {
    const differ = (...keys: (keyof ViewSettings)[]) => keys.some((key) => before[key] !== now[key]);
    if (differ("scope_past_mm", "scope_view_deg", "scope_turn_deg")) this.scheduler.touch("scope");
    if (differ("phase", "shown", "theme")) this.scheduler.redraw("bench", "scope");
    if (differ("clip", "clip_mm", "bone_opacity")) this.scheduler.touch("bench");
  }

  private place(): void {
    const { plan, looks } = this.store.state;
    if (this.scene?.anatomy.level !== plan.level) return;
    this.scene.place(plan, looks.phase);
    this.scene.show(looks.shown);
    this.scene.cut(looks.clip || null, looks.clip_mm, plan.side);
    this.scene.fade(looks.bone_opacity);
  }

  private remove(): void {
    const { removal, plan, blind } = this.store.state;
    // who plans blind sees no removal that the estimator found, nor what the sweep would take
    this.scene?.veil(blind);
    this.scene?.remove(!blind && removal?.header.level === plan.level ? removal : null);
  }

  private async load(level: string): Promise<void> {
    this.wanted = level;
    try {
      const anatomy = await this.anatomyOf(level);
      if (this.wanted !== level) return;
      this.scene?.dispose();
      this.scene = new LevelScene(anatomy);
      this.problem = "";
      this.place();
      this.remove();
    } catch (why) {
      this.problem = why instanceof Error ? why.message : String(why);
    }
    this.listeners.forEach((listener) => listener());
    this.scheduler.redraw("bench", "scope");
  }
}
