// Controls of the view, which change no number: the endoscope's lens, and the structures shown in 3D.

import type { ControlGroup } from "./control_group";
import { Slider, type Quantity } from "../dom/slider";
import type { Context } from "../session/context";
import { h, checkbox } from "../dom/elements";

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
];

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
    show: ({ looks }) => ticks.forEach(([meshes, one]) => one.show(meshes.some((mesh) => looks.shown[mesh]))),
  };
}
