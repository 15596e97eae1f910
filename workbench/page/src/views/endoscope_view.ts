// The endoscope's view: its picture as a clock face, and what is seen at each clock position. Knows nothing of the server.

import { penOf } from "../pictures/pen";
import type { MeshDetail } from "../solids/level_scene";
import { drawFace, drawPlace, drawScale, placeOf, type ClockFace } from "./clock_face";
import { button, h, setText } from "../dom/elements";
import { inSweep } from "../model/channel_geometry";
import {
  boneIn,
  goneIn,
  lensOf,
  seenAlong,
  sightOf,
  type EndoscopeLens,
  type SeenStructure,
} from "../solids/endoscope_optics";
import { letterOf } from "../pictures/orientation_letters";
import { isWhole } from "../model/manoeuvre";
import { BONE, CUT_BONE, DISC, FLAVUM, isShown, REMOVED, SAC, STRUCTURES } from "../pictures/palette";
import type { Vec3 } from "../protocol/plan";
import { ratioOf, type Drawing } from "../solids/renderer";
import { EndoscopePicture, NOT_MODELLED } from "./endoscope_picture";
import type { SceneStore, Stage } from "./stage";

/** What tests and other parts may ask of the endoscope's view. */
export interface EndoscopeHandle {
  /** The structure seen at a clock position, so far out from the middle (0) toward the rim (1); null for nothing. */
  pick(hour: number, radius_frac: number): string | null;
  /** The picture with its clock, as a data URL. */
  png(): string;
  drawn: number;
  canvas: HTMLCanvasElement | null;
}

export const endoscopeHandle: EndoscopeHandle = { pick: () => null, png: () => "", drawn: 0, canvas: null };

/** Pixels a side at most: more cost time without telling more. */
const MOST_PX = 900;

/** The lens past the docking depth when a phase is first looked at, mm (choice). */
const [DOCKING_PAST_MM, LATER_PAST_MM] = [-12, 2];

export const pastOf = (phase: number): number => (phase === 0 ? DOCKING_PAST_MM : LATER_PAST_MM);

export class EndoscopeView {
  private readonly canvas = h("canvas", { class: "scope-canvas", tabindex: "0", role: "application" });
  private readonly words = h("p", { class: "scope-words", role: "status" });
  private readonly bone: HTMLButtonElement;
  private readonly colours = h("ul", { class: "legend scope-legend", "aria-label": "Colours in the lens" });
  private readonly picture: EndoscopePicture;
  /** Bone that the plan takes left out, by phase; where it is not chosen, from the second phase on. */
  private readonly after = new Map<number, boolean>();
  private place: { hour: number; radius_frac: number } | null = null;
  /** Is a picture being drawn, and is another wanted after it? */
  private busy = false;
  private again = false;

  constructor(
    root: HTMLElement,
    private readonly stage: Stage,
    private readonly drawing: Drawing,
  ) {
    this.picture = new EndoscopePicture(!drawing.slow);
    this.canvas.setAttribute(
      "aria-label",
      "The endoscope's view as a clock face. Left and right arrow keys go round the clock, up and down toward the rim and the middle; what lies there is read out.",
    );
    this.bone = button("Bone shown as it stands", () => this.flip(), { class: "scope-bone" });
    root.append(
      h("div", { class: "picture scope-picture" }, this.canvas),
      this.colours,
      h("div", { class: "scope-foot" }, this.words, this.bone),
    );
    endoscopeHandle.pick = (hour, radius_frac) => this.seen(hour, radius_frac)?.name ?? null;
    endoscopeHandle.png = () => this.canvas.toDataURL("image/png");
    endoscopeHandle.canvas = this.canvas;
    stage.scheduler.register("scope", (detail) => this.draw(detail));
    new ResizeObserver(() => this.fit()).observe(root);
    this.listen();
  }

  private listen(): void {
    const at = (event: PointerEvent) => this.point(placeOf(event.offsetX, event.offsetY, this.canvas.clientWidth));
    this.canvas.addEventListener("pointermove", at);
    this.canvas.addEventListener("pointerdown", at);
    this.canvas.addEventListener("pointerleave", () => this.point(null));
    this.canvas.addEventListener("blur", () => this.point(null));
    this.canvas.addEventListener("keydown", (event) => this.key(event));
    this.stepBack();
  }

  /** Each phase is first seen from where it shows most: before the window when docking, within the canal over the top. */
  private stepBack(): void {
    const { store } = this;
    let { phase, scope_past_mm } = store.state.looks;
    store.subscribe(({ looks }) => {
      const left = looks.phase !== phase && looks.scope_past_mm === scope_past_mm && scope_past_mm === pastOf(phase);
      ({ phase, scope_past_mm } = looks);
      if (left && pastOf(phase) !== scope_past_mm) store.look({ scope_past_mm: pastOf(phase) });
    });
  }

  private key(event: KeyboardEvent): void {
    const step = STEPS[event.key];
    if (!step || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    event.stopPropagation();
    const { hour, radius_frac } = this.place ?? { hour: 12 - step[0], radius_frac: 0.5 - step[1] };
    this.point({
      hour: (Math.round(hour * 2) / 2 + step[0] + 12) % 12,
      radius_frac: Math.min(Math.max(radius_frac + step[1], 0), 0.95),
    });
  }

  private point(place: { hour: number; radius_frac: number } | null): void {
    this.place = place && place.radius_frac <= 1 ? place : null;
    this.face();
    this.tell();
  }

  /** In words: the hour and what is seen there, or what the picture is of. */
  private tell(): void {
    const lens = this.lens();
    if (!lens) return;
    if (this.place) {
      const { hour, radius_frac } = this.place;
      const clock = radius_frac < 0.08 ? "In the middle" : `At ${((Math.round(hour) + 11) % 12) + 1} o'clock`;
      setText(this.words, `${clock}: ${wordsOf(this.seen(hour, radius_frac))}`);
    } else {
      const { plan, looks } = this.store.state;
      setText(this.words, `${plan.phases[looks.phase]?.name ?? ""}: 12 o'clock is ${upWords(lens)}`);
    }
  }

  private get store(): SceneStore {
    return this.stage.store;
  }

  private lens(): EndoscopeLens | null {
    const { plan, looks } = this.store.state;
    return this.stage.scene ? lensOf(plan, this.stage.scene.phases, looks) : null;
  }

  private get afterwards(): boolean {
    const { phase } = this.store.state.looks;
    const { removal } = this.store.state;
    if (removal && !isWhole(removal)) return true;
    return this.after.get(phase) ?? phase > 0;
  }

  private flip(): void {
    this.after.set(this.store.state.looks.phase, !this.afterwards);
    // at once: the picture may take a while
    this.tellBone();
    this.stage.scheduler.redraw("scope");
  }

  private tellBone(): void {
    setText(this.bone, this.afterwards ? "Bone shown as planned away" : "Bone shown as it stands");
    this.bone.setAttribute("aria-pressed", String(this.afterwards));
  }

  private seen(hour: number, radius_frac: number): SeenStructure | null {
    const [lens, scene] = [this.lens(), this.stage.scene];
    if (!lens || !scene) return null;
    const { removal, blind } = this.store.state;
    const bone = !blind && removal && goneIn(removal);
    const ligament = bone && removal.resection ? bone : (point: Vec3) => inSweep(scene.phases, point);
    const gone =
      this.afterwards && bone && scene.face ? { bone, face: scene.face, stands: boneIn(removal), ligament } : null;
    return seenAlong(scene.anatomy, lens.tip, sightOf(lens, hour, radius_frac), gone);
  }

  private fit(): void {
    const width = this.canvas.clientWidth;
    if (!width) return;
    const ratio = Math.min(window.devicePixelRatio, 2);
    this.canvas.width = this.canvas.height = Math.round(width * ratio);
    this.stage.scheduler.redraw("scope");
  }

  private draw(detail: MeshDetail): void {
    const [lens, { scene }] = [this.lens(), this.stage];
    if (!lens || !scene || !this.canvas.clientWidth) return;
    if (this.busy) {
      this.again = true;
      return;
    }
    const began_ms = performance.now();
    const size = Math.min(Math.round(this.canvas.clientWidth * ratioOf(this.drawing, detail)), MOST_PX);
    scene.detail(detail);
    scene.lens(this.store.state.plan, lens);
    const drawn = this.picture.draw(this.drawing.renderer, scene, {
      lens,
      size,
      afterwards: this.afterwards,
      plain: isShown(this.store.state.looks.shown, "plain"),
    });
    this.busy = true;
    this.again = false;
    void drawn.finally(() => this.finished(performance.now() - began_ms, detail));
    this.tellColours();
    this.tellBone();
    this.tell();
  }

  /** The picture is there. While something moves, the scene has three times as long to itself as this one took. */
  private finished(took_ms: number, detail: MeshDetail): void {
    this.face();
    endoscopeHandle.drawn++;
    const next = () => {
      this.busy = false;
      if (this.again) this.stage.scheduler.redraw("scope");
    };
    if (detail === "proxy") setTimeout(next, SCENE_TIMES * took_ms);
    else next();
  }

  /** What each colour in the lens is. */
  private tellColours(): void {
    const plain = isShown(this.store.state.looks.shown, "plain");
    if (this.colours.dataset["plain"] === String(plain)) return;
    this.colours.dataset["plain"] = String(plain);
    this.colours.replaceChildren(
      ...LENS_COLOURS.map(([words, wet, flat]) => {
        const swatch = h("span", { class: "swatch" });
        swatch.style.background = plain ? flat : wet;
        return h("li", {}, swatch, words);
      }),
    );
  }

  private face(): void {
    const [to, lens] = [penOf(this.canvas), this.lens()];
    if (!lens) return;
    const style = getComputedStyle(this.canvas);
    const { width } = this.canvas;
    const face: ClockFace = { ink: style.color, background: style.backgroundColor, font_px: width / 26 };
    drawFace(to, this.picture.canvas, width, face);
    drawScale(to, width, lens, this.store.state.plan.channel.working_distance_mm, face);
    if (this.place) drawPlace(to, width, this.place.hour, this.place.radius_frac);
  }
}

/** The scene shows a tilt first: the lens follows at a distance while something moves. */
const SCENE_TIMES = 3;

/** Each structure, its colour as tissue and its plain one. */
const LENS_COLOURS: readonly (readonly [string, string, string])[] = [
  ["bone", "#dccbb4", BONE],
  ["cut bone", "#b0705a", CUT_BONE],
  ["to be removed", REMOVED, REMOVED],
  ["ligament", "#d9b75e", FLAVUM],
  ["sac", "#cdd4de", SAC],
  ["disc", "#b4bdc3", DISC],
  ["not modelled", NOT_MODELLED, "#000000"],
];

/** Arrow keys: hours round the clock, and radii outward. */
const STEPS: Record<string, [number, number]> = {
  ArrowRight: [0.5, 0],
  ArrowLeft: [-0.5, 0],
  ArrowUp: [0, 0.1],
  ArrowDown: [0, -0.1],
};

function wordsOf(seen: SeenStructure | null): string {
  if (!seen) return "nothing near";
  return `${STRUCTURES[seen.name]?.words ?? seen.name}, ${seen.hit.distance_mm.toFixed(0)} mm from the lens`;
}

const DIRECTION_WORDS: Record<string, string> = {
  L: "the patient's left",
  R: "the patient's right",
  P: "posterior",
  A: "anterior",
  H: "the head",
  F: "the feet",
};

const upWords = (lens: EndoscopeLens): string => DIRECTION_WORDS[letterOf(lens.up).split(" ")[0] ?? ""] ?? "";
