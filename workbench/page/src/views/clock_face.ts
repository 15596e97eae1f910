// The round picture's clock: twelve hours round it, a line at twelve, a scale, and a place on it.

import type { EndoscopeLens } from "../solids/endoscope_optics";

/** Share of the square that the round picture takes; the rest is for the hours. */
export const ROUND_FRAC = 0.84;

export interface ClockFace {
  ink: string;
  background: string;
  font_px: number;
}

/** Draws a square picture as a round one with the clock about it. */
export function drawFace(
  to: CanvasRenderingContext2D,
  picture: CanvasImageSource,
  size: number,
  face: ClockFace,
): void {
  const [middle, radius] = [size / 2, (size * ROUND_FRAC) / 2];
  to.fillStyle = face.background;
  to.fillRect(0, 0, size, size);
  to.save();
  to.beginPath();
  to.arc(middle, middle, radius, 0, 2 * Math.PI);
  to.clip();
  to.fillStyle = "#000000";
  to.fillRect(0, 0, size, size);
  to.drawImage(picture, middle - radius, middle - radius, 2 * radius, 2 * radius);
  to.restore();
  drawHours(to, middle, radius, face);
}

function drawHours(to: CanvasRenderingContext2D, middle: number, radius: number, face: ClockFace): void {
  to.strokeStyle = to.fillStyle = face.ink;
  to.lineWidth = Math.max(face.font_px / 10, 1);
  to.beginPath();
  to.arc(middle, middle, radius, 0, 2 * Math.PI);
  to.stroke();
  to.textAlign = "center";
  to.textBaseline = "middle";
  for (let hour = 1; hour <= 12; hour++) {
    const [x, y] = towards(hour);
    const quarter = hour % 3 === 0;
    to.beginPath();
    to.moveTo(middle + radius * x, middle + radius * y);
    to.lineTo(middle + radius * x * (quarter ? 0.93 : 0.97), middle + radius * y * (quarter ? 0.93 : 0.97));
    to.stroke();
    to.font = `${quarter ? "700" : "400"} ${face.font_px}px system-ui, sans-serif`;
    const out = radius + face.font_px * 0.85;
    to.fillText(String(hour), middle + out * x, middle + out * y);
  }
}

/** The chosen place on the clock, as a ring. */
export function drawPlace(to: CanvasRenderingContext2D, size: number, hour: number, radius_frac: number): void {
  const [x, y] = towards(hour);
  const reach = (size * ROUND_FRAC * radius_frac) / 2;
  for (const [width, colour] of [
    [4, "#000000"],
    [2, "#ffffff"],
  ] as const) {
    to.lineWidth = width;
    to.strokeStyle = colour;
    to.beginPath();
    to.arc(size / 2 + reach * x, size / 2 + reach * y, 7, 0, 2 * Math.PI);
    to.stroke();
  }
}

/** A length across the picture at a distance before the lens, drawn at the bottom right with its words. */
export function drawScale(
  to: CanvasRenderingContext2D,
  size: number,
  lens: EndoscopeLens,
  distance_mm: number,
  face: ClockFace,
): void {
  const across_mm = 2 * distance_mm * Math.tan((lens.view_deg * Math.PI) / 360);
  const long = ((size * ROUND_FRAC) / across_mm) * SCALE_MM;
  if (!(long > 0) || long > size * 0.6) return;
  const [x, y] = [size - 6 - long, size - 6];
  to.strokeStyle = to.fillStyle = face.ink;
  to.lineWidth = 2;
  to.beginPath();
  to.moveTo(x, y - 4);
  to.lineTo(x, y);
  to.lineTo(x + long, y);
  to.lineTo(x + long, y - 4);
  to.stroke();
  to.font = `400 ${face.font_px * 0.8}px system-ui, sans-serif`;
  to.textAlign = "right";
  to.fillText(`${SCALE_MM} mm at the middle`, size - 6, y - face.font_px);
}

const SCALE_MM = 5;

/** The direction of an hour on the picture, down the page. */
const towards = (hour: number): [number, number] => [Math.sin((hour * Math.PI) / 6), -Math.cos((hour * Math.PI) / 6)];

/** Hour (0..12) and distance from the middle, in radii of the round picture, of a place on the square. */
export function placeOf(x: number, y: number, size: number): { hour: number; radius_frac: number } {
  const [dx, dy] = [x - size / 2, y - size / 2];
  const hour = ((Math.atan2(dx, -dy) * 6) / Math.PI + 12) % 12;
  return { hour, radius_frac: Math.hypot(dx, dy) / ((size * ROUND_FRAC) / 2) };
}
