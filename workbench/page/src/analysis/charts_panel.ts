// The panel of charts: what another tilt, skin entry or instrument would cost, side by side where
// there is room.

import { tiltChart } from "./tilt_chart";
import type { Context, PanelPart } from "../session/context";
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
  const phases = phaseChoice(context);
  root.append(
    h("div", { class: "charts-frame" }, h("div", { class: "charts-choices" }, chooser.element, phases), held),
  );
  function show(kind: ChartKind): void {
    chooser.show(kind);
    phases.toggleAttribute("data-chosen", kind === "tilt");
    for (const [name, face] of Object.entries(faces)) face.toggleAttribute("data-chosen", name === kind);
  }
  show("tilt");
  angle.refresh();
};

const withHeading = (words: string, ...children: HTMLElement[]): HTMLElement =>
  h("div", { class: "chart-face" }, h("h2", {}, words), ...children);

/** Which phase is tilted: the one that views and sliders follow too. */
function phaseChoice({ store }: Context): HTMLElement {
  const holder = h("div", { class: "phase-choice" });
  let shown = "";
  const fill = () => {
    const names = store.state.plan.phases.map((phase) => phase.name);
    const options = names.map((name, index) => [String(index), name] as const);
    const chosen = radioChoice<string>("Phase", options, (value) => store.look({ phase: Number(value) }));
    if (names.join() !== shown) holder.replaceChildren(chosen.element);
    shown = names.join();
    return chosen;
  };
  let radios = fill();
  const follow = () => {
    if (store.state.plan.phases.map((phase) => phase.name).join() !== shown) radios = fill();
    radios.show(String(store.state.looks.phase));
  };
  store.subscribe((_, changed) => {
    if (changed.has("plan") || changed.has("looks")) follow();
  });
  follow();
  return holder;
}
