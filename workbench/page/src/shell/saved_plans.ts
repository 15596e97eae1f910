// The dialog of named plans in the case: open, save, save as, delete; nothing is replaced without a question.

import type { Context } from "../session/context";
import { button, dialog, freshId, h, setText } from "../dom/elements";
import { Refused } from "../session/connection";
import { savedText } from "../dom/files";
import { planFileOf, readPlanFile } from "../session/plan_file";
import type { Plan } from "../protocol/plan";
import { same, type State } from "../model/store";

const UNANSWERED = "The server did not answer. Nothing is lost; try again.";

export class SavedPlans {
  /** Says to those who listen what was done. */
  readonly status = h("span", { role: "status", class: "unseen" });
  /** What the case holds under the plan's name, as far as this page knows. */
  private saved: Plan | null = null;
  private readonly rows = h("ul", { class: "plan-list" });
  private readonly name = h("input", {
    id: freshId("name"),
    type: "text",
    autocomplete: "off",
    spellcheck: "false",
    maxlength: 64,
  });
  private readonly words = h("p", { class: "dialog-note", role: "status" });
  private readonly replace = button("Replace it", () => void this.keep(this.typed, true), { hidden: true });
  private readonly box: HTMLDialogElement;

  constructor(private readonly context: Context) {
    const submit = (event: Event) => {
      event.preventDefault();
      void this.keep(this.typed, false);
    };
    const label = h("label", { for: this.name.id }, "Save this plan as");
    const form = h(
      "form",
      { class: "save-as", onsubmit: submit },
      label,
      this.name,
      h("button", { type: "submit", class: "primary" }, "Save"),
    );
    const file = h("input", { type: "file", accept: ".json", id: freshId("plan-file") });
    file.addEventListener("change", () => void this.take(file));
    const files = h(
      "div",
      { class: "plan-files" },
      button("Save this plan as a file", () => this.saveAsFile(), { id: "plan-out" }),
      h("label", { for: file.id }, "Open a plan from a file"),
      file,
    );
    const close = h(
      "div",
      { class: "dialog-buttons" },
      button("Close", () => this.box.close()),
    );
    this.box = dialog("plans", "Plans in this case", this.rows, form, files, this.words, this.replace, close);
    void this.recognise();
  }

  /** Has the plan changed since it was saved or opened here? */
  changed(state: State): boolean {
    return this.saved !== null && state.name !== "" && !same(this.saved, state.plan);
  }

  /** Lists the plans. */
  list(): void {
    const { name, plan } = this.state;
    this.fill();
    this.report("");
    this.name.value = name || `${plan.level}-${plan.side}`;
    this.box.showModal();
  }

  /** Saves under the plan's own name, or asks for one. */
  save(): void {
    if (this.state.name) void this.keep(this.state.name, false);
    else this.list();
  }

  private get state(): State {
    return this.context.store.state;
  }

  /** Hands the plan over as a file. */
  private saveAsFile(): void {
    const { name, plan, facts } = this.state;
    const called = name || `${plan.level}-${plan.side}`;
    savedText(planFileOf(called, plan, facts), `${called}.plan.json`, "application/json");
  }

  private async take(file: HTMLInputElement): Promise<void> {
    const [chosen] = file.files ?? [];
    if (!chosen) return;
    const { plan, words } = readPlanFile(await chosen.text(), this.state.facts);
    file.value = "";
    this.report(words && `! ${words}`);
    if (!plan) return;
    this.box.close();
    this.context.store.choose(plan);
    this.context.store.set({ name: "", problem: words });
  }

  private get typed(): string {
    return this.name.value.trim();
  }

  /** After a reload: does the case still hold the plan of that name? */
  private async recognise(): Promise<void> {
    if (!this.state.name) return;
    const held = await heldUnder(this.context, this.state.name);
    this.saved = held ?? null;
    this.context.store.set(held === null ? { name: "" } : { facts: { ...this.state.facts } });
  }

  private async keep(name: string, replacing: boolean): Promise<void> {
    const { plan } = this.state;
    if (!name) {
      this.report("Give it a name.");
      return;
    }
    const objection = replacing ? "" : await this.objection(name);
    if (objection) {
      this.ask(objection);
      return;
    }
    const replace = replacing || name === this.state.name;
    const answered = await this.context.ask({ ask: "save", name, plan, replace }, { lane: "save" });
    if (!answered) {
      this.report(this.state.problem || UNANSWERED);
      return;
    }
    this.saved = plan;
    this.known(answered.answer.plans, answered.answer.name);
    setText(this.status, `Saved as ${answered.answer.name}.`);
    this.box.close();
  }

  /** Why a plan should not be written under a name without asking; "" where nothing speaks against it. */
  private async objection(name: string): Promise<string> {
    if (!this.state.facts.plans.includes(name)) return "";
    if (name !== this.state.name) return `'${name}' is already in the case.`;
    const held = await heldUnder(this.context, name);
    return held && !same(held, this.saved) ? `'${name}' was changed by another page.` : "";
  }

  private ask(objection: string): void {
    if (!this.box.open) this.list();
    this.report(objection, true);
    this.replace.focus();
  }

  private readonly open = async (name: string): Promise<void> => {
    const answered = await this.context.ask({ ask: "open", name }, { lane: "open" });
    if (!answered) {
      this.report(this.state.problem || UNANSWERED);
      return;
    }
    this.box.close();
    this.saved = answered.answer.plan;
    this.context.store.choose(answered.answer.plan);
    this.context.store.set({ name: answered.answer.name });
    if (answered.answer.note) this.report(answered.answer.note);
  };

  private readonly forget = async (name: string): Promise<void> => {
    const answered = await this.context.ask({ ask: "forget", name }, { lane: "forget" });
    if (!answered) {
      this.report(this.state.problem || UNANSWERED);
      return;
    }
    this.known(answered.answer.plans, this.state.name === name ? "" : this.state.name);
    this.report(`${name} is deleted.`);
    this.fill();
  };

  private known(plans: string[], name: string): void {
    this.context.store.set({ facts: { ...this.state.facts, plans }, name });
  }

  private fill(): void {
    const { plans } = this.state.facts;
    const rows = plans.map((name) => row(name, this.open, this.forget));
    this.rows.replaceChildren(...(rows.length ? rows : [h("li", { class: "quiet" }, "None yet.")]));
  }

  private report(words: string, canReplace = false): void {
    setText(this.words, words);
    this.replace.hidden = !canReplace;
  }
}

/** The plan that the case holds under a name; null where there is none, undefined where no answer came. */
async function heldUnder(context: Context, name: string): Promise<Plan | null | undefined> {
  try {
    return (await context.link.ask({ ask: "open", name })).answer.plan;
  } catch (why) {
    return why instanceof Refused ? null : undefined;
  }
}

type PlanAction = (name: string) => Promise<void>;

/** One plan; deleting asks once more, in place. */
function row(name: string, open: PlanAction, forget: PlanAction): HTMLElement {
  const item = h("li", {});
  const usual = () =>
    item.replaceChildren(
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
