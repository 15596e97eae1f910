// Named plans kept in the case: opened, saved, saved under another name, deleted; nothing is replaced unasked.

import type { Desk } from "./desk";
import { button, dialog, freshId, h, say } from "./elements";
import { Refused } from "./link";
import type { Plan } from "./protocol";
import { same, type State } from "./store";

export interface Plans {
  /** Lists the plans. */
  list(): void;
  /** Saves under the plan's own name, or asks for one. */
  save(): void;
  /** Has the plan changed since it was saved or opened here? */
  changed(state: State): boolean;
  /** Says to those who listen what was done. */
  told: HTMLElement;
}

export function plansOf(desk: Desk): Plans {
  const { store } = desk;
  const done = h("span", { role: "status", class: "unseen" });
  let saved: Plan | null = null;
  const rows = h("ul", { class: "plan-list" });
  const id = freshId("name");
  const name = h("input", { id, type: "text", autocomplete: "off", spellcheck: "false", maxlength: 60 });
  const asked = h("p", { class: "dialog-note", role: "status" });
  const replace = button("Replace it", () => void keep(name.value.trim(), true), { hidden: true });
  const box = dialog(
    "plans", "Plans in this case", rows,
    h("form", { class: "save-as", onsubmit: (event) => { event.preventDefault(); void keep(name.value.trim(), false); } },
      h("label", { for: id }, "Save this plan as"), name, h("button", { type: "submit", class: "primary" }, "Save")),
    asked, replace,
    h("div", { class: "dialog-buttons" }, button("Close", () => box.close())),
  );
  const told = (words: string, canReplace = false) => {
    say(asked, words);
    replace.hidden = !canReplace;
  };
  const known = (plans: string[]) => store.set({ facts: { ...store.state.facts, plans } });

  const keep = async (under: string, replacing: boolean) => {
    const { facts, plan, name: own } = store.state;
    if (!under) return told("Give it a name.");
    const taken = !replacing && facts.plans.includes(under);
    if (taken && (under !== own || (await otherwise(under)))) return doubted(under === own ? `'${under}' was changed by another page.` : `'${under}' is already in the case.`);
    const answered = await desk.ask<{ name: string; plans: string[] }>(
      { ask: "save", name: under, plan, replace: replacing || taken }, { lane: "save" },
    );
    if (!answered) return told(store.state.problem || "Not saved: the server did not answer. Nothing is lost; try again.");
    say(done, `Saved as ${answered.answer.name}.`);
    saved = plan;
    known(answered.answer.plans);
    store.set({ name: answered.answer.name });
    box.close();
  };

  /** Is what the case holds under a name other than what this page opened or saved? */
  const otherwise = async (which: string): Promise<boolean> => {
    const kept = await heldUnder(desk, which);
    return Boolean(kept) && !same(kept, saved);
  };

  const doubted = (words: string) => {
    if (!box.open) list();
    told(words, true);
  };

  const open = async (which: string) => {
    const answered = await desk.ask<{ name: string; plan: Plan }>({ ask: "open", name: which }, { lane: "open" });
    if (!answered) return told(store.state.problem || "Not opened: the server did not answer.");
    box.close();
    saved = answered.answer.plan;
    store.choose(answered.answer.plan);
    store.set({ name: answered.answer.name });
  };

  const forget = async (which: string) => {
    const answered = await desk.ask<{ plans: string[] }>({ ask: "forget", name: which }, { lane: "forget" });
    if (!answered) return told(store.state.problem || "Not deleted: the server did not answer.");
    known(answered.answer.plans);
    if (store.state.name === which) store.set({ name: "" });
    fill();
  };

  const fill = () => {
    const { plans } = store.state.facts;
    rows.replaceChildren(...(plans.length ? plans.map((each) => row(each, open, forget)) : [h("li", { class: "quiet" }, "None yet.")]));
  };
  const list = () => {
    fill();
    told("");
    name.value = store.state.name || `${store.state.plan.level}-${store.state.plan.side}`;
    box.showModal();
  };
  if (store.state.name) {
    void heldUnder(desk, store.state.name).then((kept) => {
      saved = kept ?? null;
      if (kept === null) store.set({ name: "" });
    });
  }
  return {
    list,
    save() {
      if (store.state.name) void keep(store.state.name, false);
      else list();
    },
    told: done,
    changed: (state) => saved !== null && state.name !== "" && !same(saved, state.plan),
  };
}

/** The plan that the case holds under a name; null where there is none, undefined where no answer came. */
async function heldUnder(desk: Desk, name: string): Promise<Plan | null | undefined> {
  try {
    return (await desk.link.ask<{ plan: Plan }>({ ask: "open", name })).answer.plan;
  } catch (why) {
    return why instanceof Refused ? null : undefined;
  }
}

type Act = (name: string) => Promise<void>;

/** One plan; deleting asks once more, in place. */
function row(name: string, open: Act, forget: Act): HTMLElement {
  const item = h("li", {});
  const usual = () => item.replaceChildren(
    h("span", { class: "plan-name" }, name),
    button("Open", () => void open(name), { "aria-label": `Open ${name}` }),
    button("Delete", sure, { "aria-label": `Delete ${name}` }),
  );
  const sure = () => {
    const yes = button("Delete it", () => void forget(name));
    item.replaceChildren(h("span", { class: "plan-name" }, `Delete ${name} for good?`), yes, button("Keep it", usual));
    yes.focus();
  };
  usual();
  return item;
}
