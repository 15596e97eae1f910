// The verdict over the whole page: freed and kept, failure first, its chance and the free canal beside it.

import type { Part } from "../session/context";
import { h, setText } from "../dom/elements";
import { areaWords, freedWords, outcomeChance, outcomeOf, outcomeWords } from "../model/freed_words";
import { numbersShown, type State } from "../model/store";
import type { Estimate } from "../protocol/estimate";

const WORKING = "being worked out \u2026";

export const verdictBar: Part = (root, { store }) => {
  const head = h("strong", { id: "outcome" });
  const words = h("p", { id: "verdict" });
  const chance = h("span", { id: "outcome-chance" });
  const area = h("span", { id: "outcome-area" });
  root.append(head, h("div", { class: "outcome-words" }, words, h("p", { class: "outcome-more" }, chance, area)));
  let last: Estimate | null = null;
  const show = (state: State) => {
    const now = state.answer?.estimate ?? null;
    const judged = now?.verdict !== undefined;
    if (judged) last = now;
    // during a drag the last verdict on the same side of the same level stays, greyed
    const kept = last && last.level === state.plan.level && last.side === state.plan.side ? last : null;
    const stale = !(judged && state.fresh);
    root.classList.toggle("stale", stale);
    root.setAttribute("aria-busy", String(stale));
    if (!numbersShown(state)) {
      root.dataset["outcome"] = "unknown";
      setText(head, "");
      setText(words, state.blind ? "Blind: the verdict is hidden." : "Confirm level and side to see the verdict.");
      setText(chance, "");
      setText(area, "");
      return;
    }
    root.dataset["outcome"] = stale ? "unknown" : outcomeOf(kept?.verdict, kept?.chances.both);
    setText(head, stale ? "\u2026" : outcomeWords(kept?.verdict, kept?.chances.both));
    setText(words, kept ? verdictSentence(kept) : WORKING);
    setText(chance, chanceNow(state, stale ? null : kept));
    const freed = kept?.freed;
    const reached = freed && areaWords(freed.least_area_mm2, freed.interval95?.least_area_after_mm2);
    setText(area, reached ? `Free canal, narrowest: ${reached}` : "");
  };
  store.subscribe((state, changed) => {
    if (KEYS.some((key) => changed.has(key))) show(state);
  });
  show(store.state);
};

const KEYS = [
  "answer",
  "fresh",
  "executions",
  "confirmed",
  "blind",
  "plan",
] as const satisfies readonly (keyof State)[];

/** The chance beside the verdict, or how far it is worked out. */
function chanceNow({ executions }: State, judged: Estimate | null): string {
  if (!judged) return WORKING;
  if (!executions) return outcomeChance(judged);
  const { done, total } = executions;
  return total ? `chance being worked out: execution ${done} of ${total}` : `chance ${WORKING}`;
}

function verdictSentence(estimate: Estimate): string {
  if (!estimate.verdict) return "What is freed cannot be said at this level.";
  return freedWords(estimate.verdict).replace("NOT FREED. ", "").trim();
}
