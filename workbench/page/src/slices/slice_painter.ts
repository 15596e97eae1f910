// Paints one slice: grey values, and over them outlines, bone to be removed, channel and marks.

import { penOf } from "../pictures/pen";
import { contour, offPage, onPage, sampled, type SlicePlane, type VoxelVolume } from "./reslice";
import { coneDistance, placedPhases, type PlacedPhase } from "../model/channel_geometry";
import { BONE, CANAL, MARK, phaseColour, REMOVED, rgb, SAC } from "../pictures/palette";
import { measuredWords, type Measurement } from "../model/measuring";
import type { Plan, Vec3 } from "../protocol/plan";
import type { OutlinedStructure, ScanVolume } from "./scan_volume";
import type { RemovalVolumes } from "../protocol/frame_headers";

/** Samples a side: of the grey values, of the outlines, and of the channel, whose edge is smooth. */
const [GREY, LINES, CHANNEL] = [256, 160, 72];

const OUTLINES: Record<OutlinedStructure, string> = { bone: BONE, canal: CANAL, sac: SAC };

/** How near the docking point lies to a slice that it is drawn filled, mm. */
const IN_SLICE_MM = 2;

const SCALE_MM = 10;

export interface SliceContent {
  scan: ScanVolume;
  /** null: no channel is drawn. */
  plan: Plan | null;
  removal: RemovalVolumes | null;
  /** Only the removal's outline. */
  outlined?: boolean;
  /** What was planned to be removed, beside what was. */
  planned?: VoxelVolume | null;
  window: [number, number];
  point: Vec3;
  phase: number;
  measurement: Measurement | null;
}

export class SlicePainter {
  grey: Float32Array = new Float32Array();
  private readonly image = document.createElement("canvas");
  /** Grey values, outlines and bone to be removed, and what they were drawn of. */
  private readonly base = document.createElement("canvas");
  private about: unknown[] = [];
  private lines: { colour: string; pieces: number[] }[] = [];
  private key = "";

  constructor() {
    this.image.width = this.image.height = GREY;
  }

  /** Draws the slice; what the plan does not change is kept as a picture of its own while it stays the same. */
  paint(to: CanvasRenderingContext2D, width: number, cut: SlicePlane, shown: SliceContent): void {
    this.drawBase(cut, shown, width);
    to.drawImage(this.base, 0, 0);
    this.drawPlan(to, width, cut, shown);
  }

  private drawBase(cut: SlicePlane, shown: SliceContent, width: number): void {
    const about = [shown.scan, JSON.stringify(cut), ...shown.window, shown.removal, width];
    if (about.every((each, place) => each === this.about[place])) return;
    this.about = about;
    this.follow(cut, shown.scan);
    this.base.width = this.base.height = width;
    const to = penOf(this.base);
    this.shade(shown.window);
    to.imageSmoothingQuality = "high";
    to.drawImage(this.image, 0, 0, width, width);
    this.drawRemoval(to, width, cut, shown);
    for (const { colour, pieces } of this.lines) strokePieces(to, pieces, width / (LINES - 1), colour, 1.5);
    this.drawScale(to, width, cut);
  }

  private follow(cut: SlicePlane, scan: ScanVolume): void {
    const key = JSON.stringify([scan.level, cut]);
    if (key === this.key) return;
    this.key = key;
    const { step, zero, outside } = scan;
    this.grey = sampled(scan.grey, cut, { columns: GREY, rows: GREY }, (outside - zero) / step);
    for (let i = 0; i < this.grey.length; i++) this.grey[i] = this.grey[i]! * step + zero;
    this.lines = (Object.keys(OUTLINES) as OutlinedStructure[]).map((name) => ({
      colour: OUTLINES[name],
      pieces: contour(sampled(scan.outlined[name], cut, { columns: LINES, rows: LINES }, 0), LINES, LINES, 127.5),
    }));
  }

  private shade([black, white]: [number, number]): void {
    const to = penOf(this.image);
    const picture = to.createImageData(GREY, GREY);
    const words = new Uint32Array(picture.data.buffer);
    const scale = 255 / Math.max(white - black, 1e-6);
    for (let i = 0; i < words.length; i++) {
      const level = Math.min(Math.max((this.grey[i]! - black) * scale, 0), 255) | 0;
      words[i] = 0xff000000 | (level << 16) | (level << 8) | level;
    }
    to.putImageData(picture, 0, 0);
  }

  private drawRemoval(
    to: CanvasRenderingContext2D,
    width: number,
    cut: SlicePlane,
    { removal, scan, outlined, planned }: SliceContent,
  ): void {
    if (!removal || !removal.task.length || removal.header.level !== scan.level) return;
    const { shape, index_of_level } = removal.header;
    const size = { columns: LINES, rows: LINES };
    const taken = sampled({ values: removal.task, shape, index_of_level }, cut, size, 0);
    const bone = sampled(scan.outlined.bone, cut, size, 0);
    for (let i = 0; i < taken.length; i++) taken[i] = Math.min(taken[i]!, bone[i]!);
    if (!outlined) fillAbove(to, taken, width);
    strokePieces(to, contour(taken, LINES, LINES, 127.5), width / (LINES - 1), REMOVED, 2);
    if (!planned) return;
    const pieces = contour(sampled(planned, cut, size, 0), LINES, LINES, 127.5);
    for (const [colour, weight] of [
      ["#000000", 3.5],
      [MARK, 1.5],
    ] as const)
      strokePieces(to, pieces, width / (LINES - 1), colour, weight);
  }

  private drawPlan(
    to: CanvasRenderingContext2D,
    width: number,
    cut: SlicePlane,
    { plan, point, phase, measurement }: SliceContent,
  ): void {
    const scale = width / cut.width_mm;
    const pixel = (p: Vec3): [number, number] => {
      const { right, up } = onPage(cut, p);
      return [width / 2 + right * scale, width / 2 - up * scale];
    };
    for (const [index, placed] of (plan ? placedPhases(plan) : []).entries()) {
      const values = channelOn(cut, placed);
      const weight = index === phase ? 2.5 : 1.2;
      strokePieces(to, contour(values, CHANNEL, CHANNEL, 0), width / (CHANNEL - 1), phaseColour(index), weight);
      const tip = placed.pivot.map(
        (c, i) => c + placed.axis[i]! * (placed.tip_depth_mm + placed.tool_radius_mm),
      ) as Vec3;
      dashed(to, pixel(placed.pivot), pixel(tip), phaseColour(index), [5, 4]);
    }
    const [x, y] = pixel(point);
    dashed(to, [x, 0], [x, width], "#ffffff90", [2, 5]);
    dashed(to, [0, y], [width, y], "#ffffff90", [2, 5]);
    if (measurement) drawMeasured(to, measurement, pixel, (p) => Math.abs(onPage(cut, p).off) < IN_SLICE_MM);
    if (plan)
      this.drawDock(to, pixel(plan.docking_point_mm), Math.abs(onPage(cut, plan.docking_point_mm).off) < IN_SLICE_MM);
  }

  private drawDock(to: CanvasRenderingContext2D, [x, y]: [number, number], near: boolean): void {
    to.beginPath();
    to.arc(x, y, 5, 0, 2 * Math.PI);
    to.lineWidth = 2;
    to.strokeStyle = "#000000";
    to.fillStyle = "#ffffff";
    if (near) to.fill();
    to.stroke();
    to.beginPath();
    to.arc(x, y, 6.5, 0, 2 * Math.PI);
    to.strokeStyle = "#ffffff";
    to.lineWidth = 1.5;
    to.stroke();
  }

  private drawScale(to: CanvasRenderingContext2D, width: number, cut: SlicePlane): void {
    const long = (SCALE_MM * width) / cut.width_mm;
    const [x, y] = [10, width - 10];
    for (const [weight, colour] of [
      [5, "#000000"],
      [2, "#ffffff"],
    ] as const) {
      to.lineWidth = weight;
      to.strokeStyle = colour;
      to.beginPath();
      to.moveTo(x, y);
      to.lineTo(x + long, y);
      to.stroke();
    }
    to.font = `${Math.max(width / 22, 11)}px system-ui, sans-serif`;
    to.lineJoin = "round";
    to.strokeStyle = "#000000";
    to.lineWidth = 3;
    to.strokeText(`${SCALE_MM} mm`, x, y - 6);
    to.fillStyle = "#ffffff";
    to.fillText(`${SCALE_MM} mm`, x, y - 6);
  }
}

/** A measurement's lines, its points filled where they lie in the slice, and its words. */
function drawMeasured(
  to: CanvasRenderingContext2D,
  measurement: Measurement,
  pixel: (p: Vec3) => [number, number],
  near: (p: Vec3) => boolean,
): void {
  const places = measurement.points.map(pixel);
  for (const [weight, colour] of [
    [4, "#000000"],
    [1.6, "#ffffff"],
  ] as const) {
    to.lineWidth = weight;
    to.strokeStyle = colour;
    to.beginPath();
    places.forEach(([x, y], place) => (place ? to.lineTo(x, y) : to.moveTo(x, y)));
    to.stroke();
    places.forEach(([x, y], place) => {
      to.beginPath();
      to.arc(x, y, 3.5, 0, 2 * Math.PI);
      to.stroke();
      to.fillStyle = colour;
      if (near(measurement.points[place]!)) to.fill();
    });
  }
  const last = places.at(-1);
  if (!last) return;
  to.font = "bold 13px system-ui, sans-serif";
  to.strokeStyle = "#000000";
  to.lineWidth = 3;
  to.strokeText(measuredWords(measurement), last[0] + 7, last[1] - 7);
  to.fillStyle = "#ffffff";
  to.fillText(measuredWords(measurement), last[0] + 7, last[1] - 7);
}

/** Signed distance to the channel lying along its axis, without the sweep, on a coarse grid of the cut. */
function channelOn(cut: SlicePlane, phase: PlacedPhase): Float32Array {
  const still = { ...phase, sweep_deg: 0 };
  const out = new Float32Array(CHANNEL * CHANNEL);
  for (let row = 0, n = 0; row < CHANNEL; row++) {
    for (let column = 0; column < CHANNEL; column++, n++) {
      const p = offPage(
        cut,
        (column / (CHANNEL - 1) - 0.5) * cut.width_mm,
        (0.5 - row / (CHANNEL - 1)) * cut.height_mm,
      );
      const sleeve = coneDistance(p, still, phase.sleeve_depth_mm, phase.sleeve_radius_mm);
      out[n] = -Math.min(sleeve, coneDistance(p, still, phase.tip_depth_mm, phase.tool_radius_mm));
    }
  }
  return out;
}

function strokePieces(
  to: CanvasRenderingContext2D,
  pieces: number[],
  scale: number,
  colour: string,
  weight: number,
): void {
  to.beginPath();
  for (let i = 0; i < pieces.length; i += 4) {
    to.moveTo(pieces[i]! * scale, pieces[i + 1]! * scale);
    to.lineTo(pieces[i + 2]! * scale, pieces[i + 3]! * scale);
  }
  to.strokeStyle = colour;
  to.lineWidth = weight;
  to.lineCap = "round";
  to.stroke();
}

const veil = document.createElement("canvas");

/** Fills where values lie above half, see-through. */
function fillAbove(to: CanvasRenderingContext2D, values: Float32Array, width: number): void {
  veil.width = veil.height = LINES;
  const on = penOf(veil);
  const picture = on.createImageData(LINES, LINES);
  const [red, green, blue] = rgb(REMOVED).map((part) => 255 * part) as [number, number, number];
  for (let i = 0; i < values.length; i++) {
    picture.data.set([red, green, blue, Math.min(Math.max((values[i]! - 90) * 2, 0), 150)], 4 * i);
  }
  on.putImageData(picture, 0, 0);
  to.drawImage(veil, 0, 0, width, width);
}

function dashed(
  to: CanvasRenderingContext2D,
  from: [number, number],
  end: [number, number],
  colour: string,
  dash: number[],
): void {
  to.setLineDash(dash);
  to.beginPath();
  to.moveTo(...from);
  to.lineTo(...end);
  to.strokeStyle = colour;
  to.lineWidth = 1.2;
  to.stroke();
  to.setLineDash([]);
}
