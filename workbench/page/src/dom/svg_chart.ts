// Builders for charts in SVG: elements, scales, ticks, axes, lines, areas and hatches.

export type SvgChild = SVGElement | null;

const SPACE = "http://www.w3.org/2000/svg";

export function s(
  tag: string,
  attributes: Record<string, string | number | undefined> = {},
  ...children: readonly SvgChild[]
): SVGElement {
  const element = document.createElementNS(SPACE, tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value !== undefined) element.setAttribute(name, typeof value === "number" ? String(round(value)) : value);
  }
  element.append(...children.filter((child) => child !== null));
  return element;
}

const round = (value: number): number => Math.round(value * 100) / 100;

export function words(
  text: string,
  x: number,
  y: number,
  attributes: Record<string, string | number> = {},
): SVGElement {
  const element = s("text", { x, y, ...attributes });
  element.textContent = text;
  return element;
}

/** A straight map from numbers to pixels. */
export interface Scale {
  low: number;
  high: number;
  from: number;
  to: number;
  at(value: number): number;
}

export function scale(low: number, high: number, from: number, to: number): Scale {
  const span = high - low || 1;
  return { low, high, from, to, at: (value) => from + ((value - low) / span) * (to - from) };
}

/** Round numbers from low to high, about so many. */
export function ticks(low: number, high: number, about: number): number[] {
  const rough = (high - low || 1) / Math.max(about, 1);
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = ([1, 2, 5, 10].find((each) => each * power >= rough * 0.999) ?? 10) * power;
  const first = Math.ceil(low / step - 1e-9);
  const count = Math.floor(high / step + 1e-9) - first + 1;
  return Array.from({ length: Math.max(count, 0) }, (_, index) => Number(((first + index) * step).toPrecision(12)));
}

/** The least round number that is not below. */
export function roundUp(value: number): number {
  const most = ticks(0, Math.max(value, 1e-6), 4).at(-1) ?? 0;
  const step = ticks(0, Math.max(value, 1e-6), 4)[1] ?? value;
  return most >= value ? most : most + step;
}

const markText = (value: number): string => String(value).replace("-", "\u2212");

/** Pixels between ticks across and up, at least. */
const ACROSS_PX = 52;
export const UP_PX = 44;

/** The axis below a plot, with what it means. */
export function axisBelow(
  x: Scale,
  y: number,
  meaning: string,
  marks = ticks(x.low, x.high, (x.to - x.from) / ACROSS_PX),
): SVGElement {
  return s(
    "g",
    { class: "axis" },
    s("line", { x1: x.from, x2: x.to, y1: y, y2: y }),
    ...marks.flatMap((mark) => [
      s("line", { x1: x.at(mark), x2: x.at(mark), y1: y, y2: y + 4 }),
      words(markText(mark), x.at(mark), y + 16, { "text-anchor": "middle" }),
    ]),
    words(meaning, (x.from + x.to) / 2, y + 32, { "text-anchor": "middle", class: "meaning" }),
  );
}

/** The axis left of a plot, with lines across; its meaning stands above it. */
export function axisLeft(
  y: Scale,
  x: Scale,
  meaning: string,
  marks = ticks(y.low, y.high, (y.from - y.to) / UP_PX),
): SVGElement {
  return s(
    "g",
    { class: "axis" },
    ...marks.flatMap((mark) => [
      s("line", { class: "across", x1: x.from, x2: x.to, y1: y.at(mark), y2: y.at(mark) }),
      words(markText(mark), x.from - 6, y.at(mark) + 4, { "text-anchor": "end" }),
    ]),
    words(meaning, x.from - 34, y.to - 9, { class: "meaning" }),
  );
}

type PixelPoint = readonly [number, number];

const step = ([x, y]: PixelPoint, pen: string): string => `${pen}${round(x)} ${round(y)}`;

/** A line through points in pixels; it breaks where a value is not known. */
export function path(points: readonly (PixelPoint | null)[]): string {
  let open = false;
  return points
    .map((point) => {
      const drawn = point ? step(point, open ? "L" : "M") : "";
      open = point !== null;
      return drawn;
    })
    .join("");
}

/** The area between an upper and a lower edge, both from left to right. */
export const area = (top: readonly PixelPoint[], bottom: readonly PixelPoint[]): string =>
  `${path(top)}${[...bottom]
    .reverse()
    .map((point) => step(point, "L"))
    .join("")}Z`;

/** Strokes of hatches that are told apart without colour, on 8 by 8 pixels; the first is none. */
const HATCHES = [
  "",
  "M0 8L8 0",
  "M4 3.2a.8.8 0 1 0 .01 0",
  "M0 0L8 8",
  "M0 4H8",
  "M4 0V8",
  "M0 8L8 0M0 0L8 8",
  "M0 4H8M4 0V8",
];

/** A filled pattern: a colour with the hatch of that number over it. */
export function hatch(id: string, fill: string, number: number): SVGElement {
  return s(
    "pattern",
    { id, width: 8, height: 8, patternUnits: "userSpaceOnUse" },
    s("rect", { width: 8, height: 8, fill }),
    s("path", { d: HATCHES[number % HATCHES.length] ?? "", class: "hatch" }),
  );
}

/** Draws anew whenever the element's width changes. */
export function onWidth(element: Element, draw: (width: number) => void): void {
  let last = 0;
  new ResizeObserver(([entry]) => {
    const width = Math.floor(entry?.contentRect.width ?? 0);
    if (width === last || width === 0) return;
    last = width;
    draw(width);
  }).observe(element);
}
