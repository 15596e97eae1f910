// Stills and a video of the steps: scene and lens side by side, with letters, scale, colours, level, side, running numbers
// and the caution. A video's time is its own, however long this computer takes to draw it.

import type { Context } from "../session/context";
import { CANAL, FLAVUM, JOINT, phaseColour, REMOVED, SAC } from "../pictures/palette";
import { sceneHandle } from "../views/scene_view";
import { endoscopeHandle } from "../views/endoscope_view";
import type { Player } from "./player";
import { type EncodedPicture, type VideoFormat, webmFile } from "./webm_file";

const [WIDTH, HEIGHT, WORDS] = [1280, 620, 96];

/** Pictures of a video, over all steps; how long each is shown, ms, and how many come to one key frame. */
const [FRAMES, FRAME_MS, KEY_EVERY] = [60, 125, 15];

/** No picture takes longer, ms: what has not been drawn by then is filmed as it stands. */
const LONGEST_FRAME_MS = 4000;

/** The length of the scene's bar. */
const SCALE_MM = 10;

const CODECS = [
  ["vp09.00.31.08", "V_VP9"],
  ["vp8", "V_VP8"],
] as const;

const BITS_PER_SECOND = 4_000_000;

/** Of the scene, as its legend has them. */
const COLOURS: readonly (readonly [string, string])[] = [
  ["to be removed", REMOVED],
  ["ipsilateral phase", phaseColour(0)],
  ["over the top", phaseColour(1)],
  ["sac", SAC],
  ["ligament", FLAVUM],
  ["canal", CANAL],
  ["facet joint", JOINT],
];

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
  if (sceneHandle.canvas) {
    directed(to, fitted(to, sceneHandle.canvas, 0, WIDTH - high, high));
    coloured(to, high - 12);
  }
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

/** Where a picture lies on the canvas, and by how much it was enlarged. */
interface Box {
  x: number;
  y: number;
  wide: number;
  high: number;
  scale: number;
}

function fitted(to: CanvasRenderingContext2D, from: HTMLCanvasElement, x: number, wide: number, high: number): Box {
  const scale = Math.min(wide / Math.max(from.width, 1), high / Math.max(from.height, 1));
  const [w, hh] = [from.width * scale, from.height * scale];
  const box = { x: x + (wide - w) / 2, y: (high - hh) / 2, wide: w, high: hh, scale: hh / (from.clientHeight || hh) };
  if (from.width && from.height) to.drawImage(from, box.x, box.y, w, hh);
  return box;
}

/** The scene's letters and a bar of SCALE_MM: on the page they lie over its canvas, not on it. */
function directed(to: CanvasRenderingContext2D, { x, y, wide, high, scale }: Box): void {
  const { letters, pixels_per_mm } = sceneHandle;
  to.fillStyle = "#ffffff";
  to.font = "bold 20px sans-serif";
  to.textAlign = "center";
  to.fillText(letters.top, x + wide / 2, y + 24);
  // above the line of colours
  const lowest = Math.min(y + high, HEIGHT - WORDS - 30);
  to.fillText(letters.bottom, x + wide / 2, lowest - 6);
  to.fillText(letters.left, x + 26, y + high / 2);
  to.fillText(letters.right, x + wide - 26, y + high / 2);
  const [right, below, long] = [x + wide - 14, lowest - 8, SCALE_MM * pixels_per_mm * scale];
  to.fillRect(right - long, below, long, 3);
  to.font = "14px sans-serif";
  to.textAlign = "right";
  to.fillText(`${SCALE_MM} mm at the middle`, right, below - 8);
  to.textAlign = "left";
}

/** What the scene's colours mean, on one line. */
function coloured(to: CanvasRenderingContext2D, y: number): void {
  to.font = "13px sans-serif";
  let x = 14;
  for (const [words, colour] of COLOURS) {
    to.fillStyle = colour;
    to.fillRect(x, y - 11, 12, 12);
    to.fillStyle = "#e8ecef";
    to.fillText(words, x + 17, y);
    x += 17 + to.measureText(words).width + 14;
  }
}

/** A WebM of all steps; rejects where the browser cannot encode one. */
export async function recordVideo(context: Context, player: Player, words: () => string): Promise<Blob> {
  const format = await formatHere();
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [WIDTH, HEIGHT];
  const pictures: EncodedPicture[] = [];
  const encoder = encoderInto(pictures, format.codec);
  for (let frame = 0; frame <= FRAMES; frame++) {
    const before = [sceneHandle.drawn, endoscopeHandle.drawn] as const;
    player.seek((frame / FRAMES) * player.steps.length);
    await drawnSince(before);
    compose(canvas, context, words());
    const picture = new VideoFrame(canvas, { timestamp: 1000 * FRAME_MS * frame, duration: 1000 * FRAME_MS });
    encoder.encode(picture, { keyFrame: frame % KEY_EVERY === 0 });
    picture.close();
  }
  await encoder.flush();
  encoder.close();
  return new Blob([webmFile(format, pictures)], { type: "video/webm" });
}

const settingsOf = (codec: string): VideoEncoderConfig => ({
  codec,
  width: WIDTH,
  height: HEIGHT,
  bitrate: BITS_PER_SECOND,
  framerate: 1000 / FRAME_MS,
});

/** The first format that this browser can encode. */
async function formatHere(): Promise<VideoFormat> {
  for (const [name, codec] of typeof VideoEncoder === "undefined" ? [] : CODECS) {
    const { supported } = await VideoEncoder.isConfigSupported(settingsOf(name)).catch(() => ({ supported: false }));
    if (supported) return { codec, width: WIDTH, height: HEIGHT, duration_ms: (FRAMES + 1) * FRAME_MS };
  }
  throw new Error("this browser cannot record WebM.");
}

function encoderInto(pictures: EncodedPicture[], codec: VideoFormat["codec"]): VideoEncoder {
  const encoder = new VideoEncoder({
    output: (chunk) => {
      const data = new Uint8Array(chunk.byteLength);
      chunk.copyTo(data);
      pictures.push({ at_ms: chunk.timestamp / 1000, key: chunk.type === "key", data });
    },
    // what follows rejects, and is told to the person
    error: (why) => console.warn(why),
  });
  encoder.configure(settingsOf(CODECS.find(([, one]) => one === codec)?.[0] ?? CODECS[0][0]));
  return encoder;
}

/** Until scene and lens have both been drawn anew. */
async function drawnSince([bench, scope]: readonly [number, number]): Promise<void> {
  const until_ms = performance.now() + LONGEST_FRAME_MS;
  const waiting = () => sceneHandle.drawn === bench || endoscopeHandle.drawn === scope;
  while (waiting() && performance.now() < until_ms) await nextPicture();
}

/** A page that lies behind another draws nothing, and must not hang for it. */
const nextPicture = (): Promise<void> =>
  new Promise((resolve) => {
    requestAnimationFrame(() => resolve());
    setTimeout(resolve, LONGEST_FRAME_MS / 4);
  });
