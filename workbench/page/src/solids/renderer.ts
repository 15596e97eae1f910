// The WebGL renderer, where the browser offers one, and how finely it may draw.

import { WebGLRenderer } from "three";
import type { MeshDetail } from "./level_scene";

/** Names of renderers that draw on the processor. */
const SOFTWARE = /swiftshader|llvmpipe|software|basic render/i;

/** Pixel ratios where the processor draws. */
const [SLOW_MOVING, SLOW_AT_REST] = [0.6, 1.5];

export interface Drawing {
  renderer: WebGLRenderer;
  /** Drawn on the processor: fewer pixels then. */
  slow: boolean;
}

export function drawingOrNull(): Drawing | null {
  const slow = drawnOnProcessor();
  const renderer = rendererOrNull(slow);
  return renderer && { renderer, slow };
}

/** Pixels drawn for one of the page's: few while something moves on the processor, more at rest for smooth edges. */
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

/** Does this browser draw on the processor? Tried on a context of its own, for edges cannot be chosen later. */
function drawnOnProcessor(): boolean {
  const context = document.createElement("canvas").getContext("webgl2");
  const info = context?.getExtension("WEBGL_debug_renderer_info");
  const name = context && info ? String(context.getParameter(info.UNMASKED_RENDERER_WEBGL)) : "";
  context?.getExtension("WEBGL_lose_context")?.loseContext();
  return SOFTWARE.test(name);
}
