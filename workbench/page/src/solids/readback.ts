// Copies a picture drawn into an off-screen target onto a canvas, with its orientation letters.

import type { WebGLRenderer, WebGLRenderTarget } from "three";
import type { Edge } from "../pictures/orientation_letters";

/** Rows begin at the bottom on the card, at the top on a canvas. */
export function readInto(canvas: HTMLCanvasElement, renderer: WebGLRenderer, target: WebGLRenderTarget): void {
  const { width, height } = target;
  if (canvas.width !== width || canvas.height !== height) [canvas.width, canvas.height] = [width, height];
  const rows = new Uint8Array(4 * width * height);
  renderer.readRenderTargetPixels(target, 0, 0, width, height, rows);
  const image = new ImageData(width, height);
  for (let row = 0; row < height; row++) {
    image.data.set(rows.subarray(4 * width * (height - 1 - row), 4 * width * (height - row)), 4 * width * row);
  }
  canvas.getContext("2d")?.putImageData(image, 0, 0);
}

/** Writes the letters of the directions at the edges of a picture that leaves the page. */
export function writeLetters(canvas: HTMLCanvasElement, letters: Record<Edge, string>): void {
  const to = canvas.getContext("2d");
  if (!to) return;
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
