// The same views of every pinned plan, locked together: the scene as the bench shows it, and the axial slice.

import { button, h } from "./elements";
import type { Desk } from "./desk";
import type { Plan } from "./protocol";
import type { Pin } from "./store";

/**
 * What bench and slices offer for it under `window.rehearsal`: a PNG data URL of another plan than the one shown, of
 * that size in CSS pixels, with the same camera (bench) or through the same point (slices), and its letters on it.
 */
export interface Snapshots {
  bench: { snapshot?(plan: Plan, width: number, height: number): Promise<string> };
  slices: { snapshot?(plan: Plan, kind: "axial", width: number, height: number): Promise<string> };
}

const [WIDTH, HEIGHT] = [360, 300];

/** After the last change that pictures show, ms: each takes as long as a frame of the bench. */
const REST_MS = 400;

export interface PinViews {
  element: HTMLElement;
  follow(): void;
}

export function pinViews(desk: Desk, pins: () => Pin[]): PinViews {
  const { store } = desk;
  const holder = h("div", { class: "pin-views" });
  const again = button("Take the bench's present view", () => void draw());
  const element = h("section", { "aria-label": "The same views of each", hidden: true }, h("div", { class: "working" }, h("h3", {}, "The same views of each"), again), holder);
  let drawn = "";
  let timer = 0;

  const key = () => JSON.stringify([pins(), store.state.looks.shown, store.state.looks.turned, store.state.looks.theme, store.state.looks.grey_window]);

  async function draw(): Promise<void> {
    drawn = key();
    const hook = window.rehearsal as Snapshots | undefined;
    if (!hook || !pins().length) return;
    const figures = [];
    let drawings = 0;
    // one after the other: each borrows the one renderer
    for (const [place, pin] of pins().entries()) {
      const pictures = [
        picture(await hook.bench.snapshot?.(pin.plan, WIDTH, HEIGHT), `${pin.name}: the scene`),
        picture(await hook.slices.snapshot?.(pin.plan, "axial", WIDTH, HEIGHT), `${pin.name}: axial slice`),
      ];
      drawings += pictures.filter((each) => each !== null).length;
      const choose = button(`${"ABCD"[place] ?? ""} ${pin.name}`, () => store.choose(pin.plan), { title: "Show this plan" });
      figures.push(h("figure", {}, ...pictures, h("figcaption", {}, choose)));
    }
    holder.replaceChildren(...figures);
    // without WebGL and before the scan is there, there is nothing to see
    element.hidden = drawings === 0;
  }

  return {
    element,
    follow: () => {
      if (!pins().length) element.hidden = true;
      if (store.state.looks.panel !== "compare" || key() === drawn) return;
      window.clearTimeout(timer);
      timer = window.setTimeout(() => void draw(), REST_MS);
    },
  };
}

const picture = (url: string | undefined, told: string): HTMLElement | null =>
  url ? h("img", { src: url, alt: told, width: WIDTH, height: HEIGHT }) : null;
