// Cameras: a turntable about the upright axis with its preset views, and the endoscope's lens.

import type { PerspectiveCamera } from "three";
import { Vector3 } from "three";
import { add, cross, scaled, sub } from "../model/channel_geometry";
import type { Side, Vec3 } from "../protocol/plan";

/** `up`: the axis that stands upright; the camera looks at `target` from `away_mm`, `rise` above the plane across it. */
export interface OrbitView {
  target: Vec3;
  up: "dorsal" | "cranial";
  turn_deg: number;
  rise_deg: number;
  away_mm: number;
}

export type Turned = "theatre" | "reading";
export type Preset = "oblique" | "dorsal" | "entry" | "caudal" | "level";

export const PRESETS: Record<Preset, string> = {
  oblique: "Oblique",
  dorsal: "From dorsal",
  entry: "From the entry side",
  caudal: "Axial, from the feet",
  level: "Through the level",
};

/** Vertical field of view: long enough a lens that nothing bulges. */
export const LENS_DEG = 26;

const [NEAREST_MM, FARTHEST_MM, START_MM] = [60, 700, 225];

/** What the first view looks at: the dorsal half of the canal, where the work is. */
const MIDDLE: Vec3 = [0, 14, 0];

const RAD = Math.PI / 180;

/** The unit directions at which the turn is 0 and 90 degrees, and that at which the rise is 90. */
function basis(up: OrbitView["up"]): [Vec3, Vec3, Vec3] {
  return up === "dorsal"
    ? [
        [0, 0, -1],
        [-1, 0, 0],
        [0, 1, 0],
      ]
    : [
        [0, 1, 0],
        [-1, 0, 0],
        [0, 0, 1],
      ];
}

/**
 * In theatre the patient lies prone: dorsal is up, and from dorsal the picture is turned as the surgeon stands, with
 * the far side up. As radiologists read, the head is up, or ventral on an axial view.
 */
export function presetView(preset: Preset, turned: Turned, side: Side): OrbitView {
  const toward = side === "left" ? -1 : 1; // turn_deg 90 stands on the patient's right
  const common = { target: MIDDLE, away_mm: START_MM };
  if (turned === "theatre") {
    const up = "dorsal" as const;
    if (preset === "dorsal") return { ...common, up, turn_deg: 90 * toward, rise_deg: 90 };
    if (preset === "entry") return { ...common, up, turn_deg: 90 * toward, rise_deg: 8 };
    if (preset === "caudal" || preset === "level") return { ...common, up, turn_deg: 0, rise_deg: 0 };
    return { ...common, up, turn_deg: 58 * toward, rise_deg: 50 };
  }
  const up = "cranial" as const;
  if (preset === "dorsal") return { ...common, up, turn_deg: 0, rise_deg: 0 };
  if (preset === "entry") return { ...common, up, turn_deg: 90 * toward, rise_deg: 0 };
  if (preset === "caudal" || preset === "level") return { ...common, up, turn_deg: 180, rise_deg: -90 };
  return { ...common, up, turn_deg: 38 * toward, rise_deg: -14 };
}

export function turnedBy(view: OrbitView, turn_deg: number, rise_deg: number): OrbitView {
  const rise = Math.min(Math.max(view.rise_deg + rise_deg, -90), 90);
  return { ...view, turn_deg: ((view.turn_deg + turn_deg) % 360) + 0, rise_deg: rise };
}

export function nearer(view: OrbitView, by: number): OrbitView {
  return { ...view, away_mm: Math.min(Math.max(view.away_mm / by, NEAREST_MM), FARTHEST_MM) };
}

/** Pixels of a millimetre at the depth of what is looked at, for a picture so high. */
export const pixelsPerMm = ({ away_mm }: OrbitView, height_px: number): number =>
  height_px / (2 * away_mm * Math.tan((LENS_DEG / 2) * RAD));

/** Moves what is looked at by so much of the picture's height. */
export function panned(view: OrbitView, right_frac: number, up_frac: number): OrbitView {
  const { right, up } = axesOf(view);
  const height_mm = 2 * view.away_mm * Math.tan((LENS_DEG / 2) * RAD);
  const shift = add(scaled(right, -right_frac * height_mm), scaled(up, -up_frac * height_mm));
  return { ...view, target: add(view.target, shift) };
}

/** The picture's directions in the level frame; `toward` points at the viewer. */
export function axesOf(view: OrbitView): { right: Vec3; up: Vec3; toward: Vec3 } {
  const [zero, quarter, top] = basis(view.up);
  const [turn, rise] = [view.turn_deg * RAD, view.rise_deg * RAD];
  const flat = add(scaled(zero, Math.cos(turn)), scaled(quarter, Math.sin(turn)));
  const toward = add(scaled(flat, Math.cos(rise)), scaled(top, Math.sin(rise)));
  const up = sub(scaled(top, Math.cos(rise)), scaled(flat, Math.sin(rise)));
  return { right: cross(up, toward), up, toward };
}

export function aimCamera(camera: PerspectiveCamera, view: OrbitView): void {
  const { up, toward } = axesOf(view);
  camera.fov = LENS_DEG;
  camera.near = Math.max(view.away_mm - 220, 5);
  camera.far = view.away_mm + 260;
  camera.position.set(...add(view.target, scaled(toward, view.away_mm)));
  camera.up.set(...up);
  camera.lookAt(new Vector3(...view.target));
  camera.updateProjectionMatrix();
  camera.updateMatrixWorld();
}

/** Looks from the lens: `forward` into the picture, `up` at 12 o'clock. */
export function aimLens(
  camera: PerspectiveCamera,
  lens: { tip: Vec3; forward: Vec3; up: Vec3; view_deg: number },
): void {
  camera.fov = lens.view_deg;
  camera.aspect = 1;
  camera.near = 0.4;
  camera.far = 160;
  camera.position.set(...lens.tip);
  camera.up.set(...lens.up);
  camera.lookAt(new Vector3(...add(lens.tip, lens.forward)));
  camera.updateProjectionMatrix();
  camera.updateMatrixWorld();
}
