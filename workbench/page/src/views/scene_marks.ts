// Marks drawn over the 3D view: docking point, entry, pivot, what stops the reach; its letters and its legend.

import { Vector3, type PerspectiveCamera } from "three";
import { h } from "../dom/elements";
import { SPOKEN, type Edge } from "../model/orientation_letters";
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

/** How far from the blocker its words stand, px. */
const WORDS_OFF: [number, number] = [70, -80];

export class SceneMarks {
  readonly svg = document.createElementNS(SVG, "svg");
  readonly words = document.createElement("p");
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
    this.words.className = "blocker-words";
    this.words.hidden = true;
    this.frame.className = "letters";
    for (const edge of ["top", "bottom", "left", "right"] as const) this.addLetter(edge);
  }

  put(kind: MarkKind, place: Vec3 | null): void {
    this.places.set(kind, place);
  }

  tell(words: string): void {
    this.words.hidden = words === "";
    if (this.words.textContent !== words) this.words.textContent = words;
  }

  name(letters: Record<Edge, string>): void {
    for (const [edge, element] of this.letters) {
      const letter = letters[edge];
      if (element.textContent !== letter) element.textContent = letter;
      element.title = letter
        .split(" ")
        .map((each) => SPOKEN[each] ?? each)
        .join(", ");
    }
  }

  /** Lays the marks where the camera sees them. */
  lay(camera: PerspectiveCamera, width: number, height: number): void {
    for (const [kind, shape] of this.shapes) {
      const at = seenAt(camera, this.places.get(kind) ?? null, width, height);
      shape.setAttribute("visibility", at ? "visible" : "hidden");
      if (at) shape.setAttribute("transform", `translate(${at[0].toFixed(1)} ${at[1].toFixed(1)})`);
      if (kind === "blocker") this.layWords(at, width, height);
    }
  }

  /** Where a mark is seen, px; null where it is not. */
  seen(kind: MarkKind, camera: PerspectiveCamera, width: number, height: number): [number, number] | null {
    return seenAt(camera, this.places.get(kind) ?? null, width, height);
  }

  private layWords(at: [number, number] | null, width: number, height: number): void {
    const told = at !== null && !this.words.hidden;
    this.leader.setAttribute("visibility", told ? "visible" : "hidden");
    this.words.style.visibility = told ? "visible" : "hidden";
    if (!told) return;
    const [dx, dy] = WORDS_OFF;
    const room = { width: this.words.offsetWidth, height: this.words.offsetHeight };
    const right = at[0] + dx + room.width + 40 < width;
    const x = right ? at[0] + dx : Math.max(at[0] - dx - room.width, 34);
    const y = Math.min(Math.max(at[1] + dy, 50 + room.height), height - 10);
    this.words.style.transform = `translate(${x.toFixed(1)}px, ${(y - room.height).toFixed(1)}px)`;
    const end = right ? x : x + room.width;
    this.leader.setAttribute("d", `M${at[0].toFixed(1)},${at[1].toFixed(1)}L${end.toFixed(1)},${y.toFixed(1)}`);
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

/** What the marks and the paint mean, in words. */
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
  return h("ul", { class: "legend", "aria-label": "Marks" }, ...paint, ...items);
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
