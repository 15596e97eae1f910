// Copies a picture drawn into an off-screen target onto a canvas, with its orientation letters.

import { penOf } from "../pictures/pen";
import type { WebGLRenderer, WebGLRenderTarget } from "three";
import type { Edge } from "../pictures/orientation_letters";

/** Waits until the picture is drawn, and copies it. */
export function readInto(canvas: HTMLCanvasElement, renderer: WebGLRenderer, target: WebGLRenderTarget): void {
  const { width, height } = target;
  const rows = new Uint8Array(4 * width * height);
  renderer.readRenderTargetPixels(target, 0, 0, width, height, rows);
  putRows(canvas, rows, width, height);
}

/** Copies the picture once it is drawn; the page goes on meanwhile. The target must stay as it is until then. */
export async function readSoon(
  canvas: HTMLCanvasElement,
  renderer: WebGLRenderer,
  target: WebGLRenderTarget,
): Promise<void> {
  const { width, height } = target;
  const rows = new Uint8Array(4 * width * height);
  await renderer.readRenderTargetPixelsAsync(target, 0, 0, width, height, rows);
  putRows(canvas, rows, width, height);
}

/** Rows begin at the bottom on the card, at the top on a canvas. */
function putRows(canvas: HTMLCanvasElement, rows: Uint8Array, width: number, height: number): void {
  if (canvas.width !== width || canvas.height !== height) [canvas.width, canvas.height] = [width, height];
  const image = new ImageData(width, height);
  for (let row = 0; row < height; row++) {
    image.data.set(rows.subarray(4 * width * (height - 1 - row), 4 * width * (height - row)), 4 * width * row);
  }
  penOf(canvas).putImageData(image, 0, 0);
}

/** Writes the letters of the directions at the edges of a picture that leaves the page. */
export function writeLetters(canvas: HTMLCanvasElement, letters: Record<Edge, string>): void {
  const to = penOf(canvas);
  const { width, height } = canvas;
  const size = Math.max(Math.min(width, height) / 18, 11);
  const places: Record<Edge, [number, number]> = {
    top: [width / 2, size],
    bottom: [width / 2, height - size],
    left: [size * 1.4, height / 2],
    right: [width - size * 1.4, height / 2],
  };
  to.font = `700 ${size}px system-ui, sans-serif`;
  to.textAlign = "center";
  to.textBaseline = "middle";
  to.lineJoin = "round";
  for (const [edge, letter] of Object.entries(letters) as [Edge, string][]) {
    to.lineWidth = size / 3;
    to.strokeStyle = "#0b0e11";
    to.strokeText(letter, ...places[edge]);
    to.fillStyle = "#ffffff";
    to.fillText(letter, ...places[edge]);
  }
}
