// The left column of controls: level, side, instrument, task, and the groups of plan and view controls.

import { startPlan, instrumentOf } from "../session/initial_plan";
import { sceneGroup, scopeGroup, shownGroup } from "./view_controls";
import { dockingGroup, entryGroup, farTilt, instrumentGroup, phaseGroup } from "./plan_controls";
import type { Context, Part } from "../session/context";
import { button, radioChoice, fold, h, selectField, checkbox } from "../dom/elements";
import type { ControlGroup } from "./control_group";
import { sizesOf } from "../model/plan_edit";
import type { State } from "../model/store";

export const controlsPanel: Part = (root, context) => {
  const phone = matchMedia("(max-width: 760px)").matches;
  const [where, far, phases] = [whereGroup(context), farTilt(context), phaseGroup(context)];
  const [entry, docking, instrument] = [entryGroup(context), dockingGroup(context), instrumentGroup(context)];
  const [task, scene, scope, shown, blind] = [
    taskGroup(context),
    sceneGroup(context),
    scopeGroup(context),
    shownGroup(context),
    blindGroup(context),
  ];
  root.append(
    h("h2", { class: "unseen" }, "Plan"),
    where.element,
    far.element,
    fold("Each phase", !phone, phases.element),
    fold("Skin entry", !phone, entry.element),
    fold("Docking point and pivot", false, docking.element),
    fold("Instrument sizes", false, instrument.element),
    fold("What is to be touched", false, task.element),
    fold("Endoscope's view", false, scope.element),
    fold("Shown in 3D", false, shown.element),
    fold("Cut open, see through, measure", false, scene.element),
    blind.element,
  );
  const groups = [where, far, phases, entry, docking, instrument, task, scope, shown, scene, blind];
  const { store } = context;
  const show = (state: State, changed: ReadonlySet<keyof State>) =>
    groups.forEach((group) => group.show(state, changed));
  store.subscribe(show);
  show(store.state, new Set(Object.keys(store.state) as (keyof State)[]));
};

/** Level, side and instrument class: each lays the plan out anew, but for the class, which only changes sizes. */
function whereGroup(context: Context): ControlGroup {
  const { store } = context;
  const level = selectField("Level", (value) => void startPlan(context, { level: value }), "level");
  const side = radioChoice(
    "Entry side",
    [
      ["left", "Left"],
      ["right", "Right"],
    ] as const,
    (value) => void startPlan(context, { side: value }),
  );
  const instrument = selectField(
    "Sleeve / scope / tool, mm",
    (value) => {
      const chosen = store.state.facts.instruments.find((one) => one.name === value);
      if (chosen) store.choose({ ...store.state.plan, channel: chosen.channel });
    },
    "instrument",
  );
  const again = button("Start over", () => void startPlan(context, {}), { id: "start-over" });
  return {
    element: h(
      "div",
      { class: "where" },
      level.element,
      side.element,
      h("div", { class: "instrument" }, instrument.element, again),
    ),
    show({ facts, plan }) {
      level.show(
        plan.level,
        facts.levels.map(({ name, sides }) => [name, sides.length ? name : `${name} (no side to dock on)`]),
      );
      side.show(plan.side, facts.levels.find((one) => one.name === plan.level)?.sides);
      const own = instrumentOf(facts, plan);
      const classes = facts.instruments.map(({ name, channel }) => [name, sizesOf(channel)] as const);
      instrument.show(own, own ? classes : [...classes, ["", "sizes of your own"]]);
    },
  };
}

/** The sets of targets that a task names; at least one stays. */
function taskGroup({ store }: Context): ControlGroup {
  const ticks = store.state.facts.tasks.map((name) => {
    const one = checkbox(name, (on) => {
      const { facts, task } = store.state;
      const next = facts.tasks.filter((each) => (each === name ? on : task.includes(each)));
      if (next.length) store.set({ task: next });
      else one.show(true);
    });
    return [name, one] as const;
  });
  return {
    element: h(
      "div",
      { class: "ticks", role: "group", "aria-label": "What is to be touched" },
      ...ticks.map(([, one]) => one.element),
    ),
    show: ({ task }) => ticks.forEach(([name, one]) => one.show(task.includes(name))),
  };
}

function blindGroup({ store }: Context): ControlGroup {
  const blind = checkbox("Blind: plan first, numbers afterwards", (on) => store.set({ blind: on }));
  return { element: h("div", { class: "ticks alone" }, blind.element), show: (state) => blind.show(state.blind) };
}
