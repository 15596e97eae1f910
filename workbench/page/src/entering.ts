// Moving the skin entry: the server lays the plan through it, one question at a time, always the newest entry wanted.

import type { Desk } from "./desk";
import type { Hand } from "./dial";
import type { Plan } from "./protocol";
import type { State } from "./store";

export interface Entry {
  lateral_mm: number | null;
  cranial_mm: number | null;
  at: string;
}

export interface Entering {
  of(axis: "lateral_mm" | "cranial_mm"): Hand;
  /** Where the entry lies, or is wanted while it is being moved. */
  shown(state: State): Entry;
}

export function entering(desk: Desk): Entering {
  const { store } = desk;
  let from: Plan | null = null;
  let wanted: Entry | null = null;
  /** The entry last asked for and the plan that goes through it: shown until the server tells that plan's own. */
  let last: { entry: Entry; plan: Plan } | null = null;
  let asking = false;
  let letGo = false;
  const run = async () => {
    if (asking) return;
    asking = true;
    for (let asked: Entry | null = null; wanted && wanted !== asked; ) {
      asked = wanted;
      const plan = await laidThrough(desk, from ?? store.state.plan, asked);
      if (!plan) break;
      last = { entry: asked, plan };
      store.move(plan);
    }
    asking = false;
    if (letGo) end();
  };
  const end = () => {
    letGo = false;
    from = wanted = null;
    store.settle();
  };
  const shown = (state: State): Entry => wanted ?? (!state.fresh && last?.plan === state.plan ? last.entry : entryOf(state));
  return {
    shown,
    of: (axis) => ({
      move(value) {
        from ??= store.state.plan;
        wanted = { ...shown(store.state), [axis]: value };
        void run();
      },
      settle() {
        letGo = true;
        if (!asking) end();
      },
    }),
  };
}

async function laidThrough(desk: Desk, plan: Plan, { lateral_mm, cranial_mm }: Entry): Promise<Plan | null> {
  if (lateral_mm === null || cranial_mm === null) return null;
  const answered = await desk.ask<{ plan: Plan }>({ ask: "enter", plan, lateral_mm, cranial_mm }, { lane: "enter" });
  return answered?.answer.plan ?? null;
}

function entryOf({ answer }: State): Entry {
  return answer?.estimate.skin_entry ?? { lateral_mm: null, cranial_mm: null, at: "" };
}
