// A digitally reconstructed radiograph as a figure, with the plan's marks: pixels and lines come from the server, by one projection.

import { h, setText } from "../dom/elements";
import { MARK, phaseColour } from "../pictures/palette";
import type { Radiograph, RadiographMark } from "../protocol/radiographs";
import type { ViewSettings } from "../model/store";
import { s } from "../dom/svg_chart";

const FILM = "Digitally reconstructed radiograph";

const [NEEDLE, LINE] = [MARK, MARK];

/** What stands at an edge, for short; the words themselves are in the picture's description. */
const LETTERS: Record<string, string> = {
  "patient's LEFT": "L",
  "patient's RIGHT": "R",
  cranial: "H",
  caudal: "F",
  dorsal: "P",
  ventral: "A",
};

export interface RadiographFigure {
  element: HTMLElement;
  show(made: Radiograph, level: string, turned: ViewSettings["turned"]): void;
}

/** How the picture lies on the page: its class, and which of its own edges then are left, right, up and down. */
interface FilmOrientation {
  name: string;
  edges: readonly [PictureEdge, PictureEdge, PictureEdge, PictureEdge];
}

type PictureEdge = "left" | "right" | "up" | "down";

const AS_MADE: FilmOrientation = { name: "", edges: ["left", "right", "up", "down"] };

/** As radiologists read: AP as if face to face with the patient, lateral with the head up and ventral to the left. */
function orientationOf(made: Radiograph, turned: ViewSettings["turned"]): FilmOrientation {
  if (turned === "theatre") return AS_MADE;
  if (made.name === "AP") return { name: "mirrored", edges: ["right", "left", "up", "down"] };
  return made.left_word === "cranial"
    ? { name: "turned", edges: ["down", "up", "left", "right"] }
    : { name: "turned-mirrored", edges: ["down", "up", "right", "left"] };
}

/** One picture, its letters and its lines. */
export function radiographFigure(name: string): RadiographFigure {
  const picture = h("img", { alt: "" });
  const lines = s("svg", { class: "film-lines", "aria-hidden": "true" });
  const edges = (["left", "right", "up", "down"] as const).map((edge) =>
    h("span", { class: `film-letter ${edge}`, "aria-hidden": "true" }),
  );
  const caption = h("figcaption", {}, `${FILM}, ${name}`);
  const face = h("div", { class: "film-face" }, h("div", { class: "film-lies" }, picture, lines), ...edges);
  const element = h("figure", { class: "film", "aria-busy": "true" }, face, caption);
  return {
    element,
    show(made, level, turned) {
      const orientation = orientationOf(made, turned);
      const own: Record<PictureEdge, string> = {
        left: made.left_word,
        right: made.right_word,
        up: made.up_word,
        down: made.down_word,
      };
      const words = orientation.edges.map((edge) => own[edge]);
      face.dataset["lie"] = orientation.name;
      if (picture.src !== made.png) picture.src = made.png;
      picture.alt =
        `${FILM}, ${made.name}, of ${level}, ${made.made_from}: ${words[0]} at the left, ${words[1]} at the right, ` +
        `${words[2]} up. Drawn on it: ${made.marks.map((mark) => mark.name).join(", ")}.`;
      edges.forEach((edge, at) => setText(edge, LETTERS[words[at] ?? ""] ?? words[at] ?? ""));
      lines.setAttribute("viewBox", `-0.5 -0.5 ${made.width} ${made.height}`);
      lines.replaceChildren(...made.marks.map(drawn));
      setText(caption, `${FILM}, ${made.name}: ${made.made_from}`);
    },
  };
}

/** A mark over a dark rim, so that it is seen on bone and on air. */
function drawn(mark: RadiographMark): SVGElement {
  const d = mark.kind === "point" ? pointPath(mark) : linePath(mark);
  return s(
    "g",
    { class: `mark ${mark.kind}`, "data-mark": mark.name },
    s("path", { d, class: "rim" }),
    s("path", { d, stroke: colourOf(mark), class: dashed(mark) ? "dashed" : undefined }),
  );
}

const dashed = (mark: RadiographMark): boolean => mark.kind === "line" && mark.name !== "needle";

function colourOf(mark: RadiographMark): string {
  if (mark.phase >= 0) return phaseColour(mark.phase);
  return dashed(mark) || mark.name.includes("window") || mark.name.includes("middle") ? LINE : NEEDLE;
}

const linePath = ({ pixels, kind }: RadiographMark): string =>
  `M${pixels.map(([column, row]) => `${column} ${row}`).join("L")}${kind === "outline" ? "Z" : ""}`;

/** Half the size of a point's sign, pixels of the picture. */
const SIGN = 7;

/** A ring at the entry, a cross at the docking point, a plus at the window. */
function pointPath({ name, pixels }: RadiographMark): string {
  const [x, y] = pixels[0] ?? [0, 0];
  if (name === "docking point")
    return `M${x - SIGN} ${y - SIGN}l${2 * SIGN} ${2 * SIGN}m0 ${-2 * SIGN}l${-2 * SIGN} ${2 * SIGN}`;
  if (name === "skin entry" || name === "pivot")
    return `M${x - SIGN} ${y}a${SIGN} ${SIGN} 0 1 0 ${2 * SIGN} 0a${SIGN} ${SIGN} 0 1 0 ${-2 * SIGN} 0`;
  return `M${x - SIGN} ${y}h${2 * SIGN}M${x} ${y - SIGN}v${2 * SIGN}`;
}

/** What the lines mean, distinct without colour too. */
export function radiographKey(): { element: HTMLElement; show(phases: readonly string[], atSkin: boolean): void } {
  const element = h("ul", { class: "film-key" });
  const row = (shape: SVGElement, words: string): HTMLElement => {
    const sign = s("svg", { viewBox: "0 0 26 14", "aria-hidden": "true" }, shape);
    return h("li", {}, sign, h("span", {}, words));
  };
  let shown = "";
  return {
    element,
    show(phases, atSkin) {
      const key = JSON.stringify([phases, atSkin]);
      if (key === shown) return;
      shown = key;
      element.replaceChildren(
        row(
          s("path", { d: "M1 7H25M8 7a5 5 0 1 0 10 0a5 5 0 1 0 -10 0", stroke: NEEDLE }),
          `needle, ring at the ${atSkin ? "skin" : "pivot"}`,
        ),
        row(s("path", { d: "M8 2l10 10m0 -10l-10 10", stroke: NEEDLE }), "docking point"),
        ...phases.map((name, at) =>
          row(
            s("rect", { x: 1, y: 2, width: 24, height: 10, rx: 5, stroke: phaseColour(at) }),
            `sleeve and tool, ${name}`,
          ),
        ),
        row(s("path", { d: "M8 7h10M13 2v10", class: "plain" }), "middle of the window"),
        row(s("path", { d: "M1 7H25", class: "plain dashed" }), "disc plane, midline"),
      );
    },
  };
}
