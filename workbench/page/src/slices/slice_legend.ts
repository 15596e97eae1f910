// What the colours on the slices mean.

import type { Context } from "../session/context";
import { h } from "../dom/elements";
import { BONE, CANAL, phaseColour, REMOVED, SAC } from "../pictures/palette";

export function sliceLegend({ store }: Context): HTMLElement {
  const element = h("ul", { class: "legend slice-legend", "aria-label": "Colours on the slices" });
  let shown = "";
  const show = () => {
    const phases = store.state.plan.phases.map(({ name }) => name);
    if (shown === phases.join()) return;
    shown = phases.join();
    const rows = [
      ["bone", BONE],
      ["canal", CANAL],
      ["sac", SAC],
      ["bone to be removed", REMOVED],
      ...phases.map((name, place) => [`${name}: sweep, dashed its axis`, phaseColour(place)] as const),
    ] as const;
    element.replaceChildren(
      ...rows.map(([words, colour]) => {
        const swatch = h("span", { class: "line-swatch" });
        swatch.style.background = colour;
        return h("li", {}, swatch, words);
      }),
    );
  };
  store.subscribe((_, changed) => {
    if (changed.has("plan")) show();
  });
  show();
  return element;
}
