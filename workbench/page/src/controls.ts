// The left column: everything that can be set, by slider, number or list.

import { begin, instrumentOf } from "./begin";
import { scopeGroup, shownGroup } from "./controls_looks";
import { dockingGroup, entryGroup, farTilt, instrumentGroup, phaseGroup } from "./controls_plan";
import type { Desk, Part } from "./desk";
import { button, choice, fold, h, picker, tick } from "./elements";
import type { State } from "./store";

/** A group of controls and how it follows the state. */
export interface Group {
  element: HTMLElement;
  show(state: State, changed: ReadonlySet<keyof State>): void;
}

export const controls: Part = (root, desk) => {
  const phone = matchMedia("(max-width: 760px)").matches;
  const [where, far, phases] = [whereGroup(desk), farTilt(desk), phaseGroup(desk)];
  const [entry, docking, instrument] = [entryGroup(desk), dockingGroup(desk), instrumentGroup(desk)];
  const [task, scope, shown, blind] = [taskGroup(desk), scopeGroup(desk), shownGroup(desk), blindGroup(desk)];
  root.append(
    h("h2", { class: "unseen" }, "Plan"),
    where.element, far.element,
    fold("Each phase", !phone, phases.element),
    fold("Skin entry", !phone, entry.element),
    fold("Docking point and pivot", false, docking.element),
    fold("Instrument sizes", false, instrument.element),
    fold("What is to be touched", false, task.element),
    fold("Endoscope's view", false, scope.element),
    fold("Shown in 3D", false, shown.element),
    blind.element,
  );
  const groups = [where, far, phases, entry, docking, instrument, task, scope, shown, blind];
  const { store } = desk;
  const show = (state: State, changed: ReadonlySet<keyof State>) => groups.forEach((group) => group.show(state, changed));
  store.subscribe(show);
  show(store.state, new Set(Object.keys(store.state) as (keyof State)[]));
};

/** Level, side and instrument class: each lays the plan out anew, but for the class, which only changes sizes. */
function whereGroup(desk: Desk): Group {
  const { store } = desk;
  const level = picker("Level", (value) => void begin(desk, { level: value }), "level");
  const side = choice("Entry side", [["left", "Left"], ["right", "Right"]] as const, (value) => void begin(desk, { side: value }));
  const instrument = picker("Instrument class", (value) => {
    const chosen = store.state.facts.instruments.find((one) => one.name === value);
    if (chosen) store.choose({ ...store.state.plan, channel: chosen.channel });
  }, "instrument");
  const again = button("Start over", () => void begin(desk, {}), { id: "start-over" });
  return {
    element: h("div", { class: "where" }, level.element, side.element, h("div", { class: "instrument" }, instrument.element, again)),
    show({ facts, plan }) {
      level.show(plan.level, facts.levels.map(({ name, sides }) => [name, sides.length ? name : `${name} (no side to dock on)`]));
      side.show(plan.side, facts.levels.find((one) => one.name === plan.level)?.sides);
      const own = instrumentOf(facts, plan);
      const classes = facts.instruments.map(({ name }) => [name, name] as const);
      instrument.show(own, own ? classes : [...classes, ["", "sizes of your own"]]);
    },
  };
}

/** The sets of targets that a task names; at least one stays. */
function taskGroup({ store }: Desk): Group {
  const ticks = store.state.facts.tasks.map((name) => {
    const one = tick(name, (on) => {
      const { facts, task } = store.state;
      const next = facts.tasks.filter((each) => (each === name ? on : task.includes(each)));
      if (next.length) store.set({ task: next });
      else one.show(true);
    });
    return [name, one] as const;
  });
  return {
    element: h("div", { class: "ticks", role: "group", "aria-label": "What is to be touched" }, ...ticks.map(([, one]) => one.element)),
    show: ({ task }) => ticks.forEach(([name, one]) => one.show(task.includes(name))),
  };
}

function blindGroup({ store }: Desk): Group {
  const blind = tick("Blind: plan first, numbers afterwards", (on) => store.set({ blind: on }));
  return { element: h("div", { class: "ticks alone" }, blind.element), show: (state) => blind.show(state.blind) };
}
