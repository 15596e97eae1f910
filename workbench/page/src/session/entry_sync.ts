// Moving the skin entry: the server gives the plan through it, one request at a time, always for the newest entry.

import type { Context } from "./context";
import type { SliderTarget } from "../dom/slider";
import type { Plan } from "../protocol/plan";
import type { State } from "../model/store";

export interface EntryPosition {
  lateral_mm: number | null;
  cranial_mm: number | null;
  at: string;
}

export interface EntrySync {
  of(axis: "lateral_mm" | "cranial_mm"): SliderTarget;
  /** Where the entry lies, or is wanted while it is being moved. */
  shown(state: State): EntryPosition;
}

export function entrySync(context: Context): EntrySync {
  const { store } = context;
  let from: Plan | null = null;
  let wanted: EntryPosition | null = null;
  /** The entry last requested and the plan that goes through it: shown until the server tells that plan's own. */
  let last: { entry: EntryPosition; plan: Plan } | null = null;
  let asking = false;
  let letGo = false;
  const run = async () => {
    if (asking) return;
    asking = true;
    for (let requested: EntryPosition | null = null; wanted && wanted !== requested;) {
      requested = wanted;
      const plan = await planThrough(context, from ?? store.state.plan, requested);
      if (!plan) break;
      last = { entry: requested, plan };
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
  const shown = (state: State): EntryPosition =>
    wanted ?? (!state.fresh && last?.plan === state.plan ? last.entry : entryOf(state));
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

async function planThrough(
  context: Context,
  plan: Plan,
  { lateral_mm, cranial_mm }: EntryPosition,
): Promise<Plan | null> {
  if (lateral_mm === null || cranial_mm === null) return null;
  const answered = await context.ask({ ask: "enter", plan, lateral_mm, cranial_mm }, { lane: "enter" });
  return answered?.answer.plan ?? null;
}

function entryOf({ answer }: State): EntryPosition {
  return answer?.estimate.skin_entry ?? { lateral_mm: null, cranial_mm: null, at: "" };
}
