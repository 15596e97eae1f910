// Draws the endoscope's view off the page onto a canvas: one renderer, its meshes held once, serves both views.

import { Color, PerspectiveCamera, WebGLRenderTarget, type WebGLRenderer } from "three";
import type { LevelScene } from "../solids/level_scene";
import { aimLens } from "../solids/camera";
import type { EndoscopeLens } from "../solids/endoscope_optics";
import { readSoon } from "../solids/readback";

/** Muscle and fat about the window, of which the scan's model holds nothing. */
export const NOT_MODELLED = "#4a241d";

export class EndoscopePicture {
  readonly canvas = document.createElement("canvas");
  private readonly camera = new PerspectiveCamera();
  private target: WebGLRenderTarget | null = null;

  /** `smooth`: have the card smooth edges, which it does for little; the processor does not. */
  constructor(private readonly smooth: boolean) {}

  /** Draws a square picture of that many pixels a side; one at a time. */
  draw(
    renderer: WebGLRenderer,
    scene: LevelScene,
    view: { lens: EndoscopeLens; size: number; afterwards: boolean; plain: boolean },
  ): Promise<void> {
    const target = this.fitted(view.size);
    aimLens(this.camera, view.lens);
    const background = renderer.getClearColor(new Color());
    // what is not modelled, muscle and fat, is never black
    renderer.setClearColor(view.plain ? "#000000" : NOT_MODELLED);
    scene.drawScope(renderer, this.camera, target, view.afterwards);
    renderer.setClearColor(background);
    return readSoon(this.canvas, renderer, target);
  }

  private fitted(size: number): WebGLRenderTarget {
    if (this.target?.width === size) return this.target;
    this.target?.dispose();
    this.target = new WebGLRenderTarget(size, size, { samples: this.smooth ? 4 : 0 });
    return this.target;
  }
}
