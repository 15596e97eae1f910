// Stills and a video of the steps: scene and lens side by side, with level, side, running numbers and the caution.

import type { Context } from "../session/context";
import { sceneHandle } from "../views/scene_view";
import { endoscopeHandle } from "../views/endoscope_view";
import type { Player } from "./player";

const [WIDTH, HEIGHT, WORDS] = [1280, 620, 96];

/** Pictures of a video, over all steps. */
const FRAMES = 60;

/** Pictures a second, for whoever looks at it: the recording runs as fast as pictures can be drawn. */
const LEAST_FRAME_MS = 80;

/** No picture takes longer, ms: what has not been drawn by then is filmed as it stands. */
const LONGEST_FRAME_MS = 4000;

const TYPES = ["video/webm;codecs=vp9", "video/webm;codecs=vp8", "video/webm"];

/** Scene and lens as they stand, on a canvas. */
export function stillPicture(context: Context, words: string): HTMLCanvasElement {
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [WIDTH, HEIGHT];
  compose(canvas, context, words);
  return canvas;
}

function compose(canvas: HTMLCanvasElement, { store }: Context, words: string): void {
  const to = canvas.getContext("2d");
  if (!to) return;
  const { plan, facts } = store.state;
  const high = HEIGHT - WORDS;
  to.fillStyle = "#14181c";
  to.fillRect(0, 0, WIDTH, HEIGHT);
  if (sceneHandle.canvas) fitted(to, sceneHandle.canvas, 0, WIDTH - high, high);
  if (endoscopeHandle.canvas) fitted(to, endoscopeHandle.canvas, WIDTH - high, high, high);
  to.fillStyle = "#e8ecef";
  to.font = "bold 22px sans-serif";
  to.fillText(`${plan.level}, from the patient's ${plan.side.toUpperCase()}`, 14, high + 28);
  to.font = "17px sans-serif";
  to.fillText(words, 14, high + 54, WIDTH - 28);
  to.fillStyle = "#a6b4bf";
  to.font = "12px sans-serif";
  to.fillText(facts.caution, 14, high + 82, WIDTH - 28);
}

function fitted(to: CanvasRenderingContext2D, from: HTMLCanvasElement, x: number, wide: number, high: number): void {
  if (!from.width || !from.height) return;
  const scale = Math.min(wide / from.width, high / from.height);
  const [w, hh] = [from.width * scale, from.height * scale];
  to.drawImage(from, x + (wide - w) / 2, (high - hh) / 2, w, hh);
}

/** A WebM of all steps; rejects where the browser cannot record. */
export async function recordVideo(context: Context, player: Player, words: () => string): Promise<Blob> {
  const type =
    typeof MediaRecorder === "undefined" ? undefined : TYPES.find((one) => MediaRecorder.isTypeSupported(one));
  if (!type) throw new Error("this browser cannot record WebM.");
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [WIDTH, HEIGHT];
  player.seek(0);
  compose(canvas, context, words());
  const recorder = new MediaRecorder(canvas.captureStream(25), { mimeType: type, videoBitsPerSecond: 4_000_000 });
  const parts: Blob[] = [];
  recorder.ondataavailable = ({ data }) => parts.push(data);
  const ended = new Promise<void>((resolve) => (recorder.onstop = () => resolve()));
  recorder.start(1000);
  for (let frame = 0; frame <= FRAMES; frame++) {
    player.seek((frame / FRAMES) * player.steps.length);
    await drawn();
    compose(canvas, context, words());
    await new Promise((resolve) => setTimeout(resolve, LEAST_FRAME_MS));
  }
  recorder.stop();
  await ended;
  return new Blob(parts, { type: "video/webm" });
}

/** Until scene and lens have both been drawn anew. */
async function drawn(): Promise<void> {
  const [bench, scope, from_ms] = [sceneHandle.drawn, endoscopeHandle.drawn, performance.now()];
  while (
    (sceneHandle.drawn === bench || endoscopeHandle.drawn === scope) &&
    performance.now() - from_ms < LONGEST_FRAME_MS
  )
    await new Promise((resolve) => requestAnimationFrame(resolve));
}
