// Marks drawn over the 3D view: docking point, entry, pivot, what stops the reach; its letters and its legend.

import { Vector3, type PerspectiveCamera } from "three";
import { h } from "../dom/elements";
import { SPOKEN, type Edge } from "../pictures/orientation_letters";
import type { Vec3 } from "../protocol/plan";

const SVG = "http://www.w3.org/2000/svg";

/** Kinds of marks; what each looks like is its own shape, told apart without its colour. */
const SHAPES = {
  dock: "M-9,0H-3M3,0H9M0,-9V-3M0,3V9M6,0A6,6 0 1 1 -6,0A6,6 0 1 1 6,0",
  entry: "M0,9L-8,-6H8Z",
  pivot: "M0,-6L6,0L0,6L-6,0Z",
  blocker: "M-7,-7L7,7M7,-7L-7,7",
  next: "M-5,0A5,5 0 1 0 5,0A5,5 0 1 0 -5,0M-1,0A1,1 0 1 0 1,0A1,1 0 1 0 -1,0",
} as const;

export type MarkKind = keyof typeof SHAPES;

/** Length of the scale bar, mm. */
const SCALE_MM = 10;

export class SceneMarks {
  readonly svg = document.createElementNS(SVG, "svg");
  readonly callout = document.createElement("div");
  private readonly words = document.createElement("p");
  private readonly bar = document.createElementNS(SVG, "g");
  private barLine = "";
  private readonly measured = document.createElementNS(SVG, "g");
  /** The words that a person has put away; others are shown again. */
  private closed = "";
  private readonly shapes = new Map<MarkKind, SVGGElement>();
  private readonly places = new Map<MarkKind, Vec3 | null>();
  private readonly leader = document.createElementNS(SVG, "path");
  private readonly letters = new Map<Edge, HTMLElement>();
  readonly frame = document.createElement("div");

  constructor() {
    this.svg.setAttribute("class", "marks");
    this.svg.setAttribute("aria-hidden", "true");
    this.leader.setAttribute("class", "leader");
    this.svg.append(this.leader);
    for (const kind of Object.keys(SHAPES) as MarkKind[]) this.addShape(kind);
    this.callout.className = "blocker-words";
    this.callout.hidden = true;
    this.callout.append(
      this.words,
      h(
        "button",
        { type: "button", "aria-label": "Close: what stops the reach", onclick: () => this.close() },
        "\u00d7",
      ),
    );
    this.bar.setAttribute("class", "scale-bar");
    this.measured.setAttribute("class", "measured");
    this.svg.append(this.bar, this.measured);
    this.frame.className = "letters";
    for (const edge of ["top", "bottom", "left", "right"] as const) this.addLetter(edge);
  }

  put(kind: MarkKind, place: Vec3 | null): void {
    this.places.set(kind, place);
  }

  /** What stops the reach, in words; "" for nothing. */
  explain(words: string): void {
    if (words !== this.closed) this.closed = "";
    this.callout.hidden = words === "" || this.closed !== "";
    if (this.words.textContent !== words) this.words.textContent = words;
  }

  private close(): void {
    this.closed = this.words.textContent;
    this.callout.hidden = true;
    this.leader.setAttribute("visibility", "hidden");
  }

  name(letters: Record<Edge, string>): void {
    for (const [edge, element] of this.letters) {
      const letter = letters[edge];
      if (element.textContent === letter) continue;
      element.textContent = letter;
      element.title = letter
        .split(" ")
        .map((each) => SPOKEN[each] ?? each)
        .join(", ");
    }
  }

  /** A bar as long as its millimetres are in the middle of the picture. */
  scale(pixels_per_mm: number, width: number, height: number): void {
    const [long, x, y] = [SCALE_MM * pixels_per_mm, width - 14, height - 14];
    const line = `M${(x - long).toFixed(1)},${y - 5}V${y}H${x.toFixed(1)}V${y - 5}`;
    if (this.barLine === line) return;
    this.barLine = line;
    this.bar.replaceChildren(pathOf(line, "halo"), pathOf(line), textOf(`${SCALE_MM} mm at the middle`, x, y - 10));
  }

  /** The points of a measurement and the lines between them. */
  measure(points: readonly Vec3[], words: string, camera: PerspectiveCamera, width: number, height: number): void {
    const seen = points.map((point) => seenAt(camera, point, width, height)).filter((at) => at !== null);
    const line = seen.map(([x, y], place) => `${place ? "L" : "M"}${x.toFixed(1)},${y.toFixed(1)}`).join("");
    const rings = seen.map(([x, y]) => `M${(x - 4).toFixed(1)},${y.toFixed(1)}a4,4 0 1 0 8,0a4,4 0 1 0 -8,0`).join("");
    const last = seen.at(-1);
    if (!last && !this.measured.childElementCount) return;
    this.measured.replaceChildren(
      ...(last
        ? [pathOf(line + rings, "halo"), pathOf(line + rings), textOf(words, last[0] + 8, last[1] - 8, "start")]
        : []),
    );
  }

  /** Puts the marks where the camera sees them. */
  place(camera: PerspectiveCamera, width: number, height: number): void {
    for (const [kind, shape] of this.shapes) {
      const at = seenAt(camera, this.places.get(kind) ?? null, width, height);
      put(shape, "visibility", at ? "visible" : "hidden");
      if (at) put(shape, "transform", `translate(${at[0].toFixed(1)} ${at[1].toFixed(1)})`);
      if (kind === "blocker") this.placeCallout(at);
    }
  }

  /** Where a mark is seen, px; null where it is not. */
  seen(kind: MarkKind, camera: PerspectiveCamera, width: number, height: number): [number, number] | null {
    return seenAt(camera, this.places.get(kind) ?? null, width, height);
  }

  /** The callout stands in a corner, off the spine; a line leads from it to its place. */
  private placeCallout(at: [number, number] | null): void {
    // a scene too low for words has no box for them either
    const shown = at !== null && !this.callout.hidden && this.callout.getClientRects().length > 0;
    put(this.leader, "visibility", shown ? "visible" : "hidden");
    this.callout.style.visibility = shown ? "visible" : "hidden";
    if (!shown) return;
    const { offsetLeft: x, offsetTop: y, offsetHeight: high } = this.callout;
    put(this.leader, "d", `M${at[0].toFixed(1)},${at[1].toFixed(1)}L${x},${y + high}`);
  }

  private addShape(kind: MarkKind): void {
    const group = shapeOf(kind);
    this.svg.append(group);
    this.shapes.set(kind, group);
  }

  private addLetter(edge: Edge): void {
    const element = document.createElement("span");
    element.className = `letter letter-${edge}`;
    this.frame.append(element);
    this.letters.set(edge, element);
  }
}

/** Sets what differs: an attribute set anew is painted anew. */
function put(element: Element, name: string, value: string): void {
  if (element.getAttribute(name) !== value) element.setAttribute(name, value);
}

function pathOf(line: string, name = ""): SVGPathElement {
  const path = document.createElementNS(SVG, "path");
  path.setAttribute("d", line);
  if (name) path.setAttribute("class", name);
  return path;
}

function textOf(words: string, x: number, y: number, anchor = "end"): SVGTextElement {
  const text = document.createElementNS(SVG, "text");
  text.setAttribute("x", x.toFixed(1));
  text.setAttribute("y", y.toFixed(1));
  text.setAttribute("text-anchor", anchor);
  text.textContent = words;
  return text;
}

function shapeOf(kind: MarkKind): SVGGElement {
  const group = document.createElementNS(SVG, "g");
  group.setAttribute("class", `mark mark-${kind}`);
  for (const under of [true, false]) {
    const line = document.createElementNS(SVG, "path");
    line.setAttribute("d", SHAPES[kind]);
    if (under) line.setAttribute("class", "halo");
    group.append(line);
  }
  return group;
}

const MEANINGS: Record<MarkKind, string> = {
  dock: "docking point",
  entry: "skin entry",
  pivot: "pivot",
  blocker: "what stops the reach",
  next: "next target",
};

/** What is coloured in the scene; its words, and the colour by its name in the style sheets. */
const COLOURS = [
  ["ipsilateral phase", "near"],
  ["over the top", "far"],
  ["sac", "sac"],
  ["ligament", "ligament"],
  ["canal", "canal"],
  ["disc", "disc"],
  ["facet joint", "joint"],
] as const;

/** What marks, paint and colours mean, in words; it folds away. */
export function legend(draggable: boolean): HTMLElement {
  const items = (Object.keys(SHAPES) as MarkKind[]).map((kind) => {
    const svg = document.createElementNS(SVG, "svg");
    svg.setAttribute("class", "marks legend-mark");
    svg.setAttribute("viewBox", "-11 -11 22 22");
    svg.setAttribute("aria-hidden", "true");
    svg.append(shapeOf(kind));
    const drag = draggable && (kind === "dock" || kind === "entry") ? " (drag)" : "";
    return h("li", {}, svg, MEANINGS[kind] + drag);
  });
  const paint = [
    h("li", {}, h("span", { class: "swatch swatch-task" }), "bone to be removed"),
    h("li", {}, h("span", { class: "swatch swatch-sweep" }), "bone in the sweep"),
  ];
  const colours = COLOURS.map(([words, colour]) => h("li", {}, h("span", { class: `swatch paint-${colour}` }), words));
  const list = h("ul", { class: "legend", "aria-label": "Marks and colours" }, ...paint, ...colours, ...items);
  const wide = matchMedia("(min-width: 1201px)");
  const open = draggable && wide.matches;
  const element = h("details", { class: "scene-legend", open }, h("summary", {}, "Legend"), list);
  // on a small picture it would hide the marks that it explains
  wide.addEventListener("change", () => (element.open = draggable && wide.matches));
  return element;
}

export function seenAt(
  camera: PerspectiveCamera,
  place: Vec3 | null,
  width: number,
  height: number,
): [number, number] | null {
  if (!place) return null;
  const at = new Vector3(...place).project(camera);
  if (at.z > 1 || Math.abs(at.x) > 1.02 || Math.abs(at.y) > 1.02) return null;
  return [((at.x + 1) / 2) * width, ((1 - at.y) / 2) * height];
}
