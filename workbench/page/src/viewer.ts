// The report's viewer: the level in 3D and the endoscope's view, from data that lie in the page itself. No server.
//
// What it reads: <script type="application/octet-stream" id="scene-data"> holding base64 of gzip of one binary frame
// (protocol/binary_frame.ts) whose header is a ViewerHeader and whose arrays are those of a scene, with "removal.task",
// "removal.cone" and "removal.bone" (uint8) beside them where bone goes. Points may be uint16, packed as the header
// says; triangles may be uint16 or uint32. It fills the element with the id "viewer".

import "./css/viewer.css";
import { anatomyOf } from "./solids/surface_meshes";
import { SceneView } from "./views/scene_view";
import { frameOf, type Frame } from "./protocol/binary_frame";
import { h } from "./dom/elements";
import { isShown, SHOWN_AT_FIRST } from "./pictures/palette";
import { removalOf } from "./model/manoeuvre";
import { scanHeader, viewerHeader, type FrameHeader, type ViewerHeader } from "./protocol/frame_headers";
import type { Shape } from "./protocol/validation";
import { fixedSlices } from "./slices/fixed_slices";
import { scanOf } from "./slices/scan_volume";
import { EndoscopeView } from "./views/endoscope_view";
import { Stage, type SceneState, type SceneStore } from "./views/stage";
import type { ViewSettings } from "./model/store";

/** The depths that the endoscope is moved through, mm past the docking depth. */
const [LEAST_PAST_MM, MOST_PAST_MM] = [-20, 30];

const LOOKS: ViewSettings = {
  theme: "light",
  turned: "theatre",
  grey_window: [0, 1],
  phase: 0,
  scope_past_mm: -12,
  scope_view_deg: 80,
  scope_turn_deg: 0,
  shown: SHOWN_AT_FIRST,
  clip: "",
  clip_mm: 0,
  bone_opacity: 1,
  panel: "",
};

class ViewerStore implements SceneStore {
  private readonly listeners: ((state: SceneState, changed: ReadonlySet<string>) => void)[] = [];

  constructor(public state: SceneState) {}

  subscribe(listener: (state: SceneState, changed: ReadonlySet<string>) => void): void {
    this.listeners.push(listener);
  }

  /** Nothing is measured in a report. */
  point(): boolean {
    return false;
  }

  look(change: Partial<ViewSettings>): void {
    this.state = { ...this.state, looks: { ...this.state.looks, ...change } };
    for (const listener of this.listeners) listener(this.state, new Set(["looks"]));
  }
}

/** A binary frame that lies in the page as base64 of gzip. */
async function embedded<H extends FrameHeader>(id: string, shape: Shape<H>): Promise<Frame<H>> {
  const text = document.getElementById(id)?.textContent.trim() ?? "";
  const packed = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
  return frameOf(await new Response(stream).arrayBuffer(), shape);
}

/** Slices of the scan, where it lies in the page too: in `#viewer-slices`, its grey window written on it. */
async function slices(store: ViewerStore): Promise<void> {
  const root = document.getElementById("viewer-slices");
  if (!root) return;
  const [black = 0, white = 1] = (root.dataset["window"] ?? "").split(" ").map(Number);
  store.look({ grey_window: [black, white] });
  fixedSlices(root, store, scanOf(await embedded("scan-data", scanHeader)));
}

function shownOf(frame: Frame<ViewerHeader>): SceneState {
  const { plan, removal, schema, level, arrays } = frame.header;
  return {
    plan,
    looks: LOOKS,
    removal: removal && removalOf(frame, { ...removal, schema, level, arrays }, "removal."),
    answer: null,
    fresh: false,
    blind: false,
    moving: false,
    measurement: null,
  };
}

/** Structures that a reader may take away, by their words. */
const STRUCTURES: readonly (readonly [string, readonly string[]])[] = [
  ["Bone", ["bone"]],
  ["Dural sac", ["sac"]],
  ["Canal", ["canal"]],
  ["Ligament", ["flavum"]],
  ["Disc", ["disc"]],
  ["Facet joints", ["joint_left", "joint_right"]],
  ["Skin", ["skin"]],
];

function ticks(store: SceneStore, meshes: string[]): HTMLElement {
  const there = STRUCTURES.filter(([, names]) => names.some((name) => meshes.includes(name)));
  const boxes = there.map(([words, names]) => {
    const box = h("input", { type: "checkbox", checked: names.some((name) => isShown(store.state.looks.shown, name)) });
    box.addEventListener("change", () => {
      const chosen = Object.fromEntries(names.map((name) => [name, box.checked]));
      store.look({ shown: { ...store.state.looks.shown, ...chosen } });
    });
    return h("label", {}, box, words);
  });
  return h("div", { class: "viewer-ticks", role: "group", "aria-label": "Shown in 3D" }, ...boxes);
}

/** Which phase the endoscope follows, and how deep its tip lies. */
function depth(store: SceneStore): HTMLElement {
  const phases = store.state.plan.phases.map((phase, index) => h("option", { value: index }, phase.name));
  const phase = h("select", { id: "viewer-phase" }, ...phases);
  const slider = h("input", { type: "range", id: "viewer-depth", min: LEAST_PAST_MM, max: MOST_PAST_MM, step: 0.5 });
  const reading = h("output", { for: slider.id });
  const show = ({ looks }: SceneState) => {
    phase.value = String(looks.phase);
    slider.value = String(looks.scope_past_mm);
    reading.textContent = `${looks.scope_past_mm} mm past the docking point`;
  };
  phase.addEventListener("change", () => store.look({ phase: Number(phase.value) }));
  slider.addEventListener("input", () => store.look({ scope_past_mm: slider.valueAsNumber }));
  store.subscribe(show);
  show(store.state);
  return h(
    "div",
    { class: "viewer-depth" },
    h("label", { for: phase.id }, "Phase"),
    phase,
    h("label", { for: slider.id }, "Endoscope's tip"),
    slider,
    reading,
  );
}

async function view(root: HTMLElement): Promise<void> {
  const frame = await embedded("scene-data", viewerHeader);
  const anatomy = anatomyOf(frame);
  const store = new ViewerStore(shownOf(frame));
  const stage = new Stage(store, () => Promise.resolve(anatomy));
  await slices(store);
  if (!stage.drawing) {
    root.append(
      h("p", {}, "This browser offers no WebGL 2, so the level cannot be turned here; the pictures below show it."),
    );
    return;
  }
  const [bench, scope] = [h("div", { class: "viewer-bench" }), h("div", { class: "viewer-scope" })];
  root.append(h("div", { class: "viewer-pictures" }, bench, scope), ticks(store, frame.header.meshes));
  new SceneView(bench, stage, stage.drawing, null);
  new EndoscopeView(scope, stage, stage.drawing);
  scope.append(depth(store));
}

const root = document.getElementById("viewer");
if (root) {
  view(root).catch((why: unknown) => {
    root.append(h("p", {}, `The level cannot be shown in 3D: ${why instanceof Error ? why.message : String(why)}`));
  });
}
