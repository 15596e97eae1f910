// Controls of the plan: tilts, sweep and depths of each phase, skin entry, docking point, instrument sizes.

import type { ControlGroup } from "./control_group";
import type { Context } from "../session/context";
import { Slider, type SliderTarget, type Quantity } from "../dom/slider";
import { radioChoice, h } from "../dom/elements";
import { entrySync } from "../session/entry_sync";
import { PHRASES } from "../model/phrases.generated";
import { docked, dockedAt, farPhase, shifted, shiftOf, sized, tilted } from "../model/plan_edit";
import type { CaseFacts } from "../protocol/case_facts";
import type { Channel, Phase, Plan } from "../protocol/plan";
import { otherSide } from "../model/store";

const DEG = { unit: "\u00b0", spoken: "degrees", step: 0.5 };
const MM = { unit: "mm", spoken: "millimetres", step: 0.5 };

/** A quantity with the planner's bound as the ends of its slider; with plain ends where the planner has none. */
function quantity(
  facts: CaseFacts,
  bound: string,
  label: string,
  ends: readonly [number, number],
  takes: readonly [number, number],
  unit = DEG,
): Quantity {
  const known = facts.bounds[bound];
  if (!known) return { label, ...unit, ends, bound: false, takes };
  return { label, ...unit, ends: [known.low, known.high], bound: true, takes, source: known.source };
}

const targetOf = ({ store }: Context, edited: (plan: Plan, value: number) => Plan): SliderTarget => ({
  move: (value) => store.move(edited(store.state.plan, value)),
  settle: () => store.settle(),
});

/** What the estimator takes at all (estimator/approach/approach.py, estimator/approach/instrument.py). */
const TILTS: readonly [number, number] = [-80, 80];
const SWEEPS: readonly [number, number] = [0, 44.9];
const LENGTHS: readonly [number, number] = [-100, 100];

/** The control of this page: how far the channel is tilted over the top of the sac. */
export function farTilt(context: Context): ControlGroup {
  const { store } = context;
  const edited = (plan: Plan, value: number) => tilted(plan, farPhase(plan), { medial_tilt_deg: value });
  const tilt = {
    ...quantity(store.state.facts, "far_medial_tilt_deg", "Over the top: medial tilt", [5, 40], TILTS),
    large: true,
  };
  const target = targetOf(context, edited);
  const one = new Slider(tilt, {
    move(value) {
      // the endoscope's view and the cut along the channel follow what is moved
      if (store.state.looks.phase !== farPhase(store.state.plan)) store.look({ phase: farPhase(store.state.plan) });
      target.move(value);
    },
    settle: target.settle,
  });
  one.element.id = "far-tilt";
  return {
    element: one.element,
    show: ({ plan }) => {
      const tilt = plan.phases[farPhase(plan)]?.medial_tilt_deg ?? null;
      one.show(tilt, tilt === null ? "" : medialWords(tilt, plan));
    },
  };
}

const medialWords = (tilt_deg: number, plan: Plan): string =>
  Math.abs(tilt_deg) < 0.5
    ? PHRASES.straightVentral
    : tilt_deg > 0
      ? `tip toward the ${otherSide(plan.side)} side`
      : PHRASES.tipLateral;

const cranialWords = (tilt_deg: number): string =>
  Math.abs(tilt_deg) < 0.5 ? "across the disc plane" : tilt_deg > 0 ? PHRASES.tipCranial : PHRASES.tipCaudal;

type SliderRow = [Quantity, (plan: Plan) => number | null, (plan: Plan, value: number) => Plan, (plan: Plan) => string];

/** The dials of one phase; the tilt over the top stands above, on its own. */
function phaseRows(facts: CaseFacts, place: number, far: boolean): SliderRow[] {
  const at = (plan: Plan) => plan.phases[place];
  const row = (
    quantity: Quantity,
    key: keyof Omit<Phase, "name" | "pivot_shift_mm">,
    words: (value: number, plan: Plan) => string,
  ): SliderRow => [
    quantity,
    (plan) => at(plan)?.[key] ?? null,
    (plan, value) => tilted(plan, place, { [key]: value }),
    (plan) => words(at(plan)?.[key] ?? 0, plan),
  ];
  const stem = place === 0 ? "" : "far_";
  const nothing = () => "";
  const shift: SliderRow = [
    quantity(facts, "far_shift_mm", "Pivot moved lateral", [0, 8], LENGTHS, MM),
    (plan) => shiftOf(plan, place),
    (plan, value) => shifted(plan, place, value),
    nothing,
  ];
  return [
    ...(far
      ? []
      : [
          row(
            quantity(facts, `${stem}medial_tilt_deg`, "Medial tilt", [-15, 15], TILTS),
            "medial_tilt_deg",
            medialWords,
          ),
        ]),
    row(quantity(facts, `${stem}cranial_tilt_deg`, "Cranial tilt", [-15, 15], TILTS), "cranial_tilt_deg", cranialWords),
    row(quantity(facts, `${stem}sweep_deg`, "Sweep, to each side", [2, 4], SWEEPS), "sweep_half_angle_deg", nothing),
    row(
      quantity(facts, "sleeve_past_lamina_mm", "Sleeve past the lamina", [-5, 25], LENGTHS, MM),
      "sleeve_past_lamina_mm",
      nothing,
    ),
    row(
      quantity(facts, "tip_past_lamina_mm", "Tip past the lamina", [0, 45], LENGTHS, MM),
      "tip_past_lamina_mm",
      nothing,
    ),
    ...(place === 0 ? [] : [shift]),
  ];
}

export function phaseGroup(context: Context): ControlGroup {
  const { store } = context;
  const element = h("div", {});
  let named = "";
  let follow: ControlGroup["show"] = () => undefined;
  const build = (plan: Plan) => {
    const pick = radioChoice(
      "Phase",
      plan.phases.map(({ name }, place) => [String(place), name] as const),
      (place) => store.look({ phase: Number(place) }),
    );
    const sets = plan.phases.map((phase, place) =>
      rowSet(context, phase.name, phaseRows(store.state.facts, place, place === farPhase(plan))),
    );
    element.replaceChildren(pick.element, ...sets.map((set) => set.element));
    follow = ({ plan: now, looks }) => {
      const open = Math.min(looks.phase, now.phases.length - 1);
      pick.show(String(open));
      sets.forEach((set, place) => {
        set.element.hidden = place !== open;
        if (place === open) set.show(now);
      });
    };
  };
  return {
    element,
    show(state, changed) {
      const names = JSON.stringify(state.plan.phases.map((phase) => phase.name));
      if (names !== named) build(state.plan);
      named = names;
      follow(state, changed);
    },
  };
}

function rowSet(context: Context, label: string, rows: SliderRow[]) {
  const dials = rows.map(([quantity, value, edited, words]) => ({
    one: new Slider(quantity, targetOf(context, edited)),
    value,
    words,
  }));
  return {
    element: h("div", { role: "group", "aria-label": label }, ...dials.map(({ one }) => one.element)),
    show: (plan: Plan) => dials.forEach(({ one, value, words }) => one.show(value(plan), words(plan))),
  };
}

/** Where the channel enters the skin. The server says where that is, and lays the plan through another entry. */
export function entryGroup(context: Context): ControlGroup {
  const { facts } = context.store.state;
  const target = entrySync(context);
  const across = quantity(facts, "entry_lateral_mm", "Entry lateral", [0, 40], LENGTHS, MM);
  const along: Quantity = { ...MM, label: "Entry cranial", ends: [-50, 30], bound: false, takes: LENGTHS };
  const dials: [Slider, Slider] = [
    new Slider(across, target.of("lateral_mm")),
    new Slider(along, target.of("cranial_mm")),
  ];
  const element = h("div", {}, ...dials.map((one) => one.element));
  return {
    element,
    show(state) {
      const entry = target.shown(state);
      const [stale, words] = [!state.fresh, entry.at === "pivot" ? "at the pivot: no skin is in view" : ""];
      const upper = facts.levels.find((one) => one.name === state.plan.level)?.upper ?? "";
      dials[0].show(entry.lateral_mm, words || `of the midline, toward the ${state.plan.side}`, stale);
      dials[1].show(entry.cranial_mm, `of the lower edge of the ${upper} lamina`, stale);
    },
  };
}

export function dockingGroup(context: Context): ControlGroup {
  const { facts } = context.store.state;
  const plain = (label: string): Quantity => ({ ...MM, label, ends: null, bound: false, takes: LENGTHS });
  const rows: SliderRow[] = [
    [
      quantity(facts, "docking_lateral_mm", "Docking lateral", [0, 30], LENGTHS, MM),
      (plan) => dockedAt(plan)[0],
      (plan, value) => docked(plan, 0, value),
      (plan) => `of the midline, toward the ${plan.side}`,
    ],
    [
      plain("Docking dorsal"),
      (plan) => dockedAt(plan)[1],
      (plan, value) => docked(plan, 1, value),
      () => "of the canal's centre at the disc",
    ],
    [
      plain("Docking cranial"),
      (plan) => dockedAt(plan)[2],
      (plan, value) => docked(plan, 2, value),
      () => "of the disc's mid-plane",
    ],
    [
      quantity(facts, "pivot_distance_mm", "Pivot to docking point", [40, 60], [1, 299], MM),
      (plan) => plan.pivot_distance_mm,
      (plan, value) => ({ ...plan, pivot_distance_mm: value }),
      () => "where skin and fascia hold the channel",
    ],
  ];
  const set = rowSet(context, "Docking point and pivot", rows);
  return { element: set.element, show: ({ plan }) => set.show(plan) };
}

/** Sizes: ends of the sliders from the thinner to the thicker instruments in use (from memory). */
const SIZES: readonly (readonly [
  keyof Channel,
  string,
  readonly [number, number],
  readonly [number, number],
  typeof MM,
])[] = [
  ["sleeve_diameter_mm", "Sleeve, outer diameter", [6, 14], [1, 40], MM],
  ["scope_diameter_mm", "Scope, outer diameter", [5, 12], [1, 40], MM],
  ["tool_diameter_mm", "Tool diameter", [2, 10], [0.5, 40], MM],
  ["lens_angle_deg", "Lens angle", [0, 70], [0, 89], { ...DEG, step: 1 }],
  ["working_length_mm", "Working length from the pivot", [60, 200], [1, 400], { ...MM, step: 1 }],
  ["working_distance_mm", "Scope's tip short of the target", [0, 30], [0, 100], MM],
];

export function instrumentGroup(context: Context): ControlGroup {
  const rows: SliderRow[] = SIZES.map(([key, label, ends, takes, unit]) => [
    { label, ...unit, ends, bound: false, takes },
    (plan) => plan.channel[key],
    (plan, value) => sized(plan, { [key]: value }),
    () => "",
  ]);
  const set = rowSet(context, "Instrument sizes", rows);
  return { element: set.element, show: ({ plan }) => set.show(plan) };
}
