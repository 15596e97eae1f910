// Controls of the view, which change no number: the endoscope's lens, and the structures shown in 3D.

import type { ControlGroup } from "./control_group";
import { Slider, type Quantity } from "../dom/slider";
import type { Context } from "../session/context";
import { h, checkbox, selectField, setText } from "../dom/elements";
import { measuredWords, type MeasureKind } from "../model/measuring";
import { isShown } from "../pictures/palette";
import type { ViewSettings } from "../model/store";

type EndoscopeSetting = "scope_past_mm" | "scope_view_deg" | "scope_turn_deg";

const still = { bound: false, ends: null };

const SCOPE: readonly (readonly [EndoscopeSetting, Quantity])[] = [
  [
    "scope_past_mm",
    {
      ...still,
      label: "Tip past the docking point",
      unit: "mm",
      spoken: "millimetres",
      step: 0.5,
      ends: [-20, 40],
      takes: [-60, 80],
    },
  ],
  [
    "scope_view_deg",
    { ...still, label: "Field of view", unit: "\u00b0", spoken: "degrees", step: 1, ends: [40, 120], takes: [20, 140] },
  ],
  [
    "scope_turn_deg",
    {
      ...still,
      label: "Turned about itself",
      unit: "\u00b0",
      spoken: "degrees",
      step: 5,
      ends: [-180, 180],
      takes: [-180, 180],
    },
  ],
];

export function scopeGroup({ store }: Context): ControlGroup {
  const dials = SCOPE.map(([key, quantity]) => {
    const one = new Slider(quantity, { move: (value) => store.look({ [key]: value }), settle: () => undefined });
    return [key, one] as const;
  });
  const plain = checkbox("Plain colours, as in the other views", (on) =>
    store.look({ shown: { ...store.state.looks.shown, plain: on } }),
  );
  return {
    element: h("div", {}, h("div", { class: "ticks" }, plain.element), ...dials.map(([, one]) => one.element)),
    show: ({ looks }) => {
      plain.show(Boolean(looks.shown["plain"]));
      dials.forEach(([key, one]) => one.show(looks[key]));
    },
  };
}

/** What can be shown: its words, and the meshes that belong to it. */
export const STRUCTURES: readonly (readonly [string, readonly string[]])[] = [
  ["Bone", ["bone"]],
  ["Dural sac", ["sac"]],
  ["Canal", ["canal"]],
  ["Ligamentum flavum", ["flavum"]],
  ["Disc", ["disc"]],
  ["Facet joints", ["joint_left", "joint_right"]],
  ["Skin", ["skin"]],
  ["Upper vertebra", ["upper"]],
  ["Lower vertebra", ["lower"]],
];

const OPACITY: Quantity = {
  ...still,
  label: "Bone, opacity",
  unit: "%",
  spoken: "percent",
  step: 5,
  ends: [10, 100],
  takes: [10, 100],
};

const CLIP_PLACE: Quantity = {
  ...still,
  label: "Place of the cut",
  unit: "mm",
  spoken: "millimetres",
  step: 0.5,
  ends: [-40, 40],
  takes: [-100, 100],
};

const CLIPS = [
  ["", "none"],
  ["axial", "axial: caudal part away"],
  ["coronal", "coronal: dorsal part away"],
  ["sagittal", "sagittal: entry side away"],
] as const;

/** How the scene is cut open, how much is seen through bone, and what is measured in scene and slices. */
export function sceneGroup({ store }: Context): ControlGroup {
  const opacity = new Slider(OPACITY, {
    move: (value) => store.look({ bone_opacity: value / 100 }),
    settle: () => undefined,
  });
  const place = new Slider(CLIP_PLACE, { move: (clip_mm) => store.look({ clip_mm }), settle: () => undefined });
  const clip = selectField("Cut open", (value) => store.look({ clip: value as ViewSettings["clip"] }), "clip");
  const measure = selectField("Measure", (value) => begin(value), "measure");
  const words = h("p", { class: "quiet", id: "measured", role: "status" });
  const begin = (value: string) =>
    store.set({ measurement: value === "" ? null : { kind: value as MeasureKind, points: [] } });
  return {
    element: h("div", {}, clip.element, place.element, opacity.element, measure.element, words),
    show: ({ looks, measurement }) => {
      clip.show(looks.clip, CLIPS);
      place.element.hidden = looks.clip === "";
      place.show(looks.clip_mm);
      opacity.show(Math.round(100 * looks.bone_opacity));
      measure.show(measurement?.kind ?? "", MEASURES);
      setText(words, measurement ? `${measuredWords(measurement)} (in the scene or a slice)` : "");
    },
  };
}

const MEASURES = [
  ["", "nothing"],
  ["distance", "a distance: two clicks"],
  ["angle", "an angle: three clicks"],
] as const;

export function shownGroup({ store }: Context): ControlGroup {
  const ticks = STRUCTURES.map(([words, meshes]) => {
    const change = (on: boolean) =>
      store.look({ shown: { ...store.state.looks.shown, ...Object.fromEntries(meshes.map((mesh) => [mesh, on])) } });
    return [meshes, checkbox(words, change)] as const;
  });
  return {
    element: h(
      "div",
      { class: "ticks", role: "group", "aria-label": "Shown in 3D" },
      ...ticks.map(([, one]) => one.element),
    ),
    show: ({ looks }) => ticks.forEach(([meshes, one]) => one.show(meshes.some((mesh) => isShown(looks.shown, mesh)))),
  };
}
