// Draws the endoscope's view off the page onto a canvas: one renderer, its meshes held once, serves both views.

import { Color, PerspectiveCamera, WebGLRenderTarget, type WebGLRenderer } from "three";
import type { LevelScene } from "../solids/level_scene";
import { aimLens } from "../solids/camera";
import type { EndoscopeLens } from "../solids/endoscope_optics";
import { readInto } from "../solids/readback";

export class EndoscopePicture {
  readonly canvas = document.createElement("canvas");
  private readonly camera = new PerspectiveCamera();
  private target: WebGLRenderTarget | null = null;

  /** `smooth`: have the card smooth edges, which it does for little; the processor does not. */
  constructor(private readonly smooth: boolean) {}

  /** Draws a square picture of that many pixels a side. */
  draw(
    renderer: WebGLRenderer,
    scene: LevelScene,
    view: { lens: EndoscopeLens; size: number; afterwards: boolean },
  ): void {
    const target = this.fitted(view.size);
    aimLens(this.camera, view.lens);
    const ground = renderer.getClearColor(new Color());
    renderer.setClearColor("#000000");
    scene.drawScope(renderer, this.camera, target, view.afterwards);
    renderer.setClearColor(ground);
    readInto(this.canvas, renderer, target);
  }

  private fitted(size: number): WebGLRenderTarget {
    if (this.target?.width === size) return this.target;
    this.target?.dispose();
    this.target = new WebGLRenderTarget(size, size, { samples: this.smooth ? 4 : 0 });
    return this.target;
  }
}
