// A plan as one file to pass on: the plan, what it is of, and the caution; nothing of whose scan it was made on.

import type { CaseFacts } from "../protocol/case_facts";
import { plan, type Plan } from "../protocol/plan";
import { fits, object, oneOf, optional, text } from "../protocol/validation";

const SCHEMA = "canalwise.plan-file/1";

const planFile = object({ schema: oneOf(SCHEMA), name: text, case_mark: text, caution: optional(text), plan });

export function planFileOf(name: string, made: Plan, facts: CaseFacts): string {
  const { caution, mark } = facts;
  return `${JSON.stringify({ schema: SCHEMA, caution, name, case_mark: mark, plan: made }, null, 2)}\n`;
}

export interface ReadPlanFile {
  plan: Plan | null;
  /** Why it cannot be taken, or what to mind of it; "" for nothing. */
  words: string;
}

/** The plan in a file, if it is of a level and side of this case. */
export function readPlanFile(content: string, facts: CaseFacts): ReadPlanFile {
  const found = parsed(content);
  if (!fits(planFile, found)) return { plan: null, words: "This file holds no plan that was saved here." };
  const { level, side } = found.plan;
  const there = facts.levels.find((one) => one.name === level)?.sides.includes(side);
  if (!there) return { plan: null, words: `The plan is of ${level} from the ${side}, which this case does not show.` };
  const other = found.case_mark !== facts.mark;
  return {
    plan: found.plan,
    words: other ? "The plan was made on another case: hold every place of it against this one." : "",
  };
}

function parsed(content: string): unknown {
  try {
    return JSON.parse(content);
  } catch {
    return null;
  }
}
