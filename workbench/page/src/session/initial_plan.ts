// The plan to start with: which level, side and instrument, and the server's usual plan for them.

import type { Context } from "./context";
import type { CaseFacts } from "../protocol/case_facts";
import type { Plan, Side } from "../protocol/plan";
import { same } from "../model/store";

export interface Start {
  level: string;
  side: Side;
  instrument: string;
}

/** The instrument class whose sizes the plan has; "" for sizes of its own. */
export const instrumentOf = (facts: CaseFacts, plan: Plan): string =>
  facts.instruments.find((one) => same(one.channel, plan.channel))?.name ?? "";

/** What to start with: what the command line names, else the usual or the first of the levels that are sure, else the surest. */
export function firstStart(facts: CaseFacts): Start | null {
  const open = facts.levels.filter((level) => level.sides.length > 0);
  const sure = open.filter((level) => !level.check_by_eye);
  const named = (levels: typeof open, name: string | null) => levels.find((one) => one.name === name);
  const surest = [...open].sort((a, b) => (b.confidence_frac ?? 0) - (a.confidence_frac ?? 0));
  const level = named(open, facts.start.level) ?? named(sure, USUAL_LEVEL) ?? sure[0] ?? surest[0];
  const side = level?.sides.find((one) => one === facts.start.side) ?? level?.sides[0];
  return level && side ? { level: level.name, side, instrument: facts.instruments[0]?.name ?? "" } : null;
}

/** Did the command line ask for anything to start with? */
export const startRequested = ({ start }: CaseFacts): boolean => Boolean(start.level ?? start.side ?? start.plan);

/** The level most often decompressed (common practice, no source). */
const USUAL_LEVEL = "L4-L5";

/** Makes the plan anew; what is not named stays as it is. Sizes of one's own give way to the first class. */
export async function startPlan(context: Context, wanted: Partial<Start>): Promise<void> {
  const { facts, plan } = context.store.state;
  const level = wanted.level ?? plan.level;
  const sides = facts.levels.find((one) => one.name === level)?.sides ?? [];
  const requested = wanted.side ?? plan.side;
  const side = sides.includes(requested) ? requested : (sides[0] ?? requested);
  const instrument = wanted.instrument ?? (instrumentOf(facts, plan) || (facts.instruments[0]?.name ?? ""));
  const answered = await context.ask({ ask: "start", level, side, instrument }, { lane: "start" });
  if (!answered) return;
  context.store.choose(answered.answer.plan);
  // another plan: saving it must not replace the one that was open
  context.store.set({ name: "" });
}
