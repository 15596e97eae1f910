// The WebGL renderer, where the browser offers one, and how finely it may draw.

import { WebGLRenderer } from "three";
import { drawsSlowly } from "../pictures/drawing_speed";
import type { MeshDetail } from "./level_scene";

/** Pixel ratios where drawing is slow. */
const [SLOW_MOVING, SLOW_AT_REST] = [0.6, 1.5];

export interface Drawing {
  renderer: WebGLRenderer;
  /** Fewer pixels then, and plain edges. */
  slow: boolean;
}

export function drawingOrNull(): Drawing | null {
  const slow = drawsSlowly();
  const renderer = rendererOrNull(slow);
  return renderer && { renderer, slow };
}

/** Pixels drawn for one of the page's; where drawing is slow few while something moves, more at rest for smooth edges. */
export function ratioOf({ slow }: Drawing, detail: MeshDetail): number {
  if (!slow) return Math.min(window.devicePixelRatio, 2);
  return detail === "proxy" ? SLOW_MOVING : SLOW_AT_REST;
}

function rendererOrNull(slow: boolean): WebGLRenderer | null {
  // three.js tells of a missing WebGL2 on the console too: requested here first, to stay quiet
  const canvas = document.createElement("canvas");
  // on the processor, smoothing edges makes every triangle cost three times as much (measured): it is done by size there
  const context = canvas.getContext("webgl2", {
    antialias: !slow,
    alpha: false,
    preserveDrawingBuffer: true,
    powerPreference: "high-performance",
  });
  if (!context) return null;
  const renderer = new WebGLRenderer({ canvas, context });
  renderer.setClearColor("#14181c");
  return renderer;
}
