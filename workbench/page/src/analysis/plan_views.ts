// The same views of every pinned plan, locked together: the 3D view and the axial slice.

import { slicesHandle } from "../slices/slices_panel";
import { sceneHandle } from "../views/scene_view";
import { button, h } from "../dom/elements";
import type { Context } from "../session/context";
import type { PinnedPlan, State } from "../model/store";

const [WIDTH, HEIGHT] = [360, 300];

/** After the last change that pictures show, ms: each takes as long as a frame of the bench. */
const REST_MS = 400;

export interface PlanViews {
  element: HTMLElement;
  follow(): void;
}

export function planViews(context: Context, pins: () => PinnedPlan[], isOpen: (state: State) => boolean): PlanViews {
  const { store } = context;
  const holder = h("div", { class: "pin-views" });
  const again = button("Look as the scene does now", () => void draw());
  const element = h(
    "section",
    { "aria-label": "The same views of each", hidden: true },
    h("div", { class: "working" }, h("h3", {}, "The same views of each"), again),
    holder,
  );
  let drawn = "";
  let timer = 0;

  const key = () =>
    JSON.stringify([
      pins(),
      store.state.looks.shown,
      store.state.looks.turned,
      store.state.looks.theme,
      store.state.looks.grey_window,
    ]);

  async function draw(): Promise<void> {
    drawn = key();
    if (!pins().length) return;
    const figures = [];
    let drawings = 0;
    // one after the other: each borrows the one renderer
    for (const [place, pin] of pins().entries()) {
      const pictures = [
        picture(await sceneHandle.snapshot(pin.plan, WIDTH, HEIGHT), `${pin.name}: the scene`),
        picture(await slicesHandle.snapshot(pin.plan, "axial", WIDTH, HEIGHT), `${pin.name}: axial slice`),
      ];
      drawings += pictures.filter((each) => each !== null).length;
      const choose = button(`${"ABCD"[place] ?? ""} ${pin.name}`, () => store.choose(pin.plan), {
        title: "Show this plan",
      });
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
      if (!isOpen(store.state) || key() === drawn) return;
      window.clearTimeout(timer);
      timer = window.setTimeout(() => void draw(), REST_MS);
    },
  };
}

const picture = (url: string, words: string): HTMLElement | null =>
  url ? h("img", { src: url, alt: words, width: WIDTH, height: HEIGHT }) : null;
