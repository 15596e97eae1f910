// The panel of charts: what another tilt, skin entry or instrument would cost, side by side where
// there is room.

import { tiltChart } from "./tilt_chart";
import type { PanelPart } from "../session/context";
import { radioChoice, h } from "../dom/elements";
import { entryMap } from "./entry_map";
import { instrumentChart } from "./instrument_chart";
import { numbersShown } from "../model/store";

const KINDS = [
  ["tilt", "Tilt"],
  ["entry", "Skin entry"],
  ["instrument", "Instrument"],
] as const;
type ChartKind = (typeof KINDS)[number][0];

export const chartsPanel: PanelPart = (root, context, isOpen) => {
  const { store } = context;
  const seen = () => isOpen(store.state) && numbersShown(store.state);
  const angle = tiltChart(context, seen);
  const faces: Record<ChartKind, HTMLElement> = {
    tilt: withHeading("Another tilt", angle.element),
    entry: withHeading("Another skin entry", entryMap(context)),
    instrument: withHeading("Another instrument", instrumentChart(context)),
  };
  const chooser = radioChoice("Chart", KINDS, show);
  chooser.element.classList.add("chart-chooser");
  const held = h("div", { class: "charts" }, ...Object.values(faces));
  root.append(h("div", { class: "charts-frame" }, h("div", { class: "charts-choices" }, chooser.element), held));
  function show(kind: ChartKind): void {
    chooser.show(kind);
    for (const [name, face] of Object.entries(faces)) face.toggleAttribute("data-chosen", name === kind);
  }
  show("tilt");
  angle.refresh();
};

const withHeading = (words: string, ...children: HTMLElement[]): HTMLElement =>
  h("div", { class: "chart-face" }, h("h2", {}, words), ...children);
