// The panel of lessons: leads through the steps, asks their questions, and has a plan judged that was made blind.

import { sceneHandle } from "../views/scene_view";
import type { Context, PanelPart } from "../session/context";
import { button, type Child, h, selectField, setText } from "../dom/elements";
import { heading, judgementPage, note, questionForm, scorePage, stepList, stepWords } from "./lesson_views";
import type { JudgeAnswer, LessonAnswer, LessonStep } from "../protocol/lessons";
import type { Plan } from "../protocol/plan";
import { judgementCsv, scoreCsv, type MarkedChoice, type ScoreSubject } from "../model/lesson_score";
import { readStored, writeStored } from "../dom/browser_storage";
import { savedText } from "../dom/files";
import { savedProgress } from "../protocol/lessons";
import { fits } from "../protocol/validation";
import { neutral } from "../model/plan_edit";
import { isConfirmed, same, type State } from "../model/store";

export const lessonPanel: PanelPart = (root, context, isOpen) => {
  new LessonPlayer(root, context, isOpen);
};

/** How far one lesson has come; `at` is -1 before the first step, and the number of steps at the end. */
interface LessonProgress {
  at: number;
  marks: Map<number, MarkedChoice & { plan: Plan }>;
  judged: JudgeAnswer | null;
}

/** Plans that can be pinned at a time. */
const MOST_PINS = 4;

const begun = (): LessonProgress => ({ at: -1, marks: new Map(), judged: null });

class LessonPlayer {
  private readonly body = h("div", { class: "lesson-body" });
  private readonly status = h("p", { class: "unseen", role: "status" });
  private readonly choose = selectField("Choose a lesson", (name) => this.open(name), "lesson-name");
  private readonly moving = h("div", { class: "lesson-moves" });
  private readonly steps = h("div", { class: "lesson-place" });
  private readonly progress = new Map<string, LessonProgress>();
  private name: string;
  private filled: LessonAnswer | null = null;
  /** The plan and the task that `revealed` belongs to. */
  private plan: Plan | null = null;
  private task: string[] = [];
  /** How often it was requested: an answer that was overtaken changes nothing. */
  private requests = 0;
  /** Is the newest of these still without its answer? */
  private awaited = false;
  /** The step for which a person has shown the numbers that its open question hides. */
  private unveiled = -1;

  constructor(
    root: HTMLElement,
    private readonly context: Context,
    private readonly isOpen: (state: State) => boolean,
  ) {
    const { facts } = context.store.state;
    this.name = facts.lessons[0]?.name ?? "";
    this.choose.show(
      this.name,
      facts.lessons.map(({ name, title }) => [name, title] as const),
    );
    root.classList.add("lesson");
    root.append(
      h("div", { class: "lesson-head" }, this.choose.element, this.moving, this.steps),
      this.body,
      this.status,
    );
    context.store.subscribe((state, changed) => this.follow(state, changed));
    this.show();
  }

  private get mine(): LessonProgress {
    const found = this.progress.get(this.name) ?? this.kept() ?? begun();
    this.progress.set(this.name, found);
    return found;
  }

  /** Where this lesson's progress is kept: on this computer, by the case's mark, level and side. */
  private get place(): string {
    const { facts, plan } = this.context.store.state;
    return `canalwise-lesson:${facts.mark}:${plan.level}:${plan.side}:${this.name}`;
  }

  private kept(): LessonProgress | null {
    const text = readStored("localStorage", this.place);
    const found: unknown = text ? JSON.parse(text) : null;
    if (!fits(savedProgress, found)) return null;
    const marks = new Map(found.marks.map(({ step, ...mark }) => [step, mark] as const));
    return { at: found.at, marks, judged: found.judged };
  }

  private keep(): void {
    const { at, marks, judged } = this.mine;
    const saved = { at, judged, marks: [...marks].map(([step, mark]) => ({ step, ...mark })) };
    writeStored("localStorage", this.place, JSON.stringify(saved));
  }

  private saveScore(csv: (about: ScoreSubject) => string, whole: object, kind: "csv" | "json"): void {
    const { facts, plan } = this.context.store.state;
    const about = { lesson: this.name, case_mark: facts.mark, level: plan.level, side: plan.side };
    const text =
      kind === "csv" ? csv(about) : `${JSON.stringify({ caution: facts.caution, ...about, ...whole }, null, 2)}\n`;
    savedText(text, `score-${this.name}.${kind}`, kind === "csv" ? "text/csv" : "application/json");
  }

  /** Asks anew for what has changed under the lesson, once the plan has come to rest and only while it is looked at. */
  private follow(state: State, changed: ReadonlySet<keyof State>): void {
    if (
      changed.has("plan") &&
      this.plan &&
      (this.plan.level !== state.plan.level || this.plan.side !== state.plan.side)
    )
      this.forget();
    if (["plan", "task"].some((key) => changed.has(key as keyof State)))
      this.stale(this.awaited || this.outdated(state));
    const seen = this.isOpen(state);
    if (seen && state.fresh && this.outdated(state)) void this.ask();
    if (changed.has("blind") && this.context.store.veiled && !state.blind) {
      this.context.store.veiled = false;
      this.unveiled = this.mine.at;
    }
    if (changed.has("looks")) this.veil();
    if (["confirmed", "blind", "link"].some((key) => changed.has(key as keyof State))) this.show();
  }

  /** Numbers would answer a question that is open: they are hidden until it is marked or left. */
  private veil(): void {
    const { store } = this.context;
    const { at, marks } = this.mine;
    const open = this.isOpen(store.state) && Boolean(this.filled?.steps[at]?.question) && !marks.has(at);
    if (open && !store.state.blind && this.unveiled !== at) {
      store.veiled = true;
      store.set({ blind: true });
    } else if (!open && store.veiled) {
      store.veiled = false;
      store.set({ blind: false });
    }
  }

  private outdated(state: State): boolean {
    return this.name !== "" && (this.plan === null || !same([this.plan, this.task], [state.plan, state.task]));
  }

  /** Another level or side has other questions: what was answered does not count for it. */
  private forget(): void {
    const some = [...this.progress.values()].some((each) => each.marks.size > 0);
    this.progress.clear();
    this.filled = this.plan = null;
    if (some) setText(this.status, "The level or the side has changed: the lesson starts anew.");
    this.show();
  }

  private stale(on: boolean): void {
    this.body.classList.toggle("stale", on);
    this.body.setAttribute("aria-busy", String(on));
  }

  private open(name: string): void {
    this.name = name;
    this.filled = this.plan = null;
    this.veil();
    this.show();
    void this.ask();
  }

  private async ask(): Promise<void> {
    const { plan, task } = this.context.store.state;
    const number = ++this.requests;
    this.awaited = true;
    [this.plan, this.task] = [plan, task];
    const answered = await this.context.ask({ ask: "lesson", name: this.name, plan, task }, { lane: "lesson" });
    if (number === this.requests) this.awaited = false;
    if (!answered) {
      if (number === this.requests) this.plan = null;
      return;
    }
    this.filled = answered.answer;
    this.veil();
    this.stale(!same(plan, this.context.store.state.plan));
    this.show();
  }

  /** Turns to a page of the lesson, sets the pictures for it and lets it be read out. */
  private go(at: number): void {
    const before = this.mine.at;
    this.mine.at = at;
    this.keep();
    this.unveiled = -1;
    const step = this.filled?.steps[at];
    if (step && this.filled?.blind && !this.mine.judged) {
      this.context.store.set({ blind: true });
      // who plans blind begins with a plan that gives nothing away
      if (before < 0) this.context.store.choose(neutral(this.context.store.state.plan));
    }
    if (step) this.aim(step);
    this.veil();
    this.show();
    this.body.querySelector<HTMLElement>(".lesson-heading")?.focus();
  }

  private aim(step: LessonStep): void {
    this.context.store.look({ phase: step.phase, scope_past_mm: step.depth_mm });
    if (step.camera === "bench") sceneHandle.show(step.phase > 0 ? "caudal" : "oblique");
  }

  private show(): void {
    const { filled } = this;
    const cover = this.cover();
    const { at, marks } = this.mine;
    this.moving.replaceChildren(...(filled && !cover ? this.moves(filled, at) : []));
    this.steps.replaceChildren(...(filled && !cover ? [stepList(filled, at, marks, (step) => this.go(step))] : []));
    this.body.replaceChildren(
      ...(cover ?? (filled ? this.page(filled) : [note("The lesson is being filled in \u2026")])).filter(
        (child) => child !== null,
      ),
    );
  }

  /** What stands in the lesson's place while its numbers may not be seen. */
  private cover(): Child[] | null {
    const { plan, blind } = this.context.store.state;
    if (!this.name) return [note("There are no lessons.")];
    if (!isConfirmed(this.context.store.state)) {
      const confirm = button("Confirm level and side", () => document.getElementById("level-badge")?.click(), {
        class: "primary",
      });
      return [note(`${plan.level} ${plan.side} is not confirmed yet. Its lessons are shown once it is.`, confirm)];
    }
    if (blind && !this.context.store.veiled && this.filled && !this.filled.blind) {
      return [
        note(
          "Blind: this lesson tells numbers.",
          button("Show the numbers", () => this.context.store.set({ blind: false }), { class: "primary" }),
        ),
      ];
    }
    return null;
  }

  private page(filled: LessonAnswer): Child[] {
    const { at } = this.mine;
    const step = filled.steps[at];
    if (at < 0) return [heading(filled.title), h("p", { class: "lesson-intro" }, filled.intro)];
    if (step) return this.step(filled, step, at);
    return filled.blind
      ? this.judgement()
      : scorePage(
          filled,
          this.mine.marks,
          (back) => this.go(back),
          () => this.again(),
          (score, kind) => this.saveScore((about) => scoreCsv(score, about), score, kind),
        );
  }

  private step(filled: LessonAnswer, step: LessonStep, at: number): Child[] {
    const mark = this.mine.marks.get(at);
    const words = mark && this.plan && same(mark.plan, this.plan) ? mark.answer.revealed : step;
    const left = h(
      "div",
      { class: "lesson-left" },
      heading(`${at + 1} of ${filled.steps.length}: ${step.title}`),
      stepWords(words),
      this.picture(step),
    );
    const form = questionForm(step, mark, (choice) => void this.mark(at, choice));
    const explore = step.explore ? this.exploring(step, at) : null;
    const right = h("div", {}, form, explore, filled.blind ? this.unhidden() : this.hiding());
    return [h("div", { class: "lesson-page" }, left, right)];
  }

  /** Which picture shows what the step speaks of. */
  private picture(step: LessonStep): HTMLElement {
    const { store } = this.context;
    const phase = store.state.plan.phases[step.phase]?.name ?? "";
    const past = step.depth_mm < 0 ? `drawn back ${-step.depth_mm} mm from` : `${step.depth_mm} mm past`;
    const filled = {
      scope: `Look through the endoscope: ${phase}, its tip ${past} the docking depth.`,
      bench: `Look at the scene: ${phase}, the scope's tip ${past} the docking depth.`,
      axial: "Look at the axial slice.",
      radiograph: "Look at the radiographs of the theatre sheet.",
    }[step.camera];
    const panel = step.camera === "axial" ? "slices" : step.camera === "radiograph" ? "sheet" : null;
    return h(
      "p",
      { class: "quiet lesson-picture" },
      filled,
      " ",
      button("Set the picture again", () => this.aim(step)),
      panel ? button(panel === "slices" ? "Go to the slices" : "Go to the sheet", () => store.look({ panel })) : null,
    );
  }

  /** A task to try freely: plans are pinned, and marked by the estimator. */
  private exploring(step: LessonStep, at: number): HTMLElement {
    const { store } = this.context;
    const here = () => store.state.pins.filter(({ plan }) => plan.level === store.state.plan.level);
    const results = h("ul", { class: "lesson-marks", role: "status" });
    const pin = button("Pin this plan", () => {
      const name = store.state.name || `plan ${store.state.pins.length + 1}`;
      store.set({ pins: [...store.state.pins, { name, plan: store.state.plan }].slice(-MOST_PINS) });
      count();
    });
    const mark = button(
      "Mark the pinned plans",
      () =>
        void this.explore(
          at,
          here().map(({ plan }) => plan),
          results,
        ),
      {
        class: "primary",
      },
    );
    const count = () => {
      setText(mark, `Mark the pinned plans (${here().length})`);
      mark.disabled = here().length === 0;
    };
    count();
    return h("div", { class: "lesson-explore" }, h("p", {}, step.explore), pin, " ", mark, results);
  }

  private async explore(step: number, plans: Plan[], results: HTMLElement): Promise<void> {
    results.replaceChildren(h("li", {}, "Being worked out \u2026"));
    const answered = await this.context.ask({ ask: "explore", lesson: this.name, step, plans }, { lane: "explore" });
    const marks = answered?.answer.marks ?? [];
    results.replaceChildren(
      ...marks.map(({ name, met, words }) =>
        h(
          "li",
          {},
          h("strong", {}, `${met === null ? "" : met ? "\u2713 " : "\u2717 not yet: "}${name}`),
          `: ${words}`,
        ),
      ),
    );
  }

  private hiding(): HTMLElement | null {
    return this.context.store.veiled ? note("The numbers are hidden until you have answered.") : null;
  }

  private unhidden(): HTMLElement | null {
    const { store } = this.context;
    if (store.state.blind || this.mine.judged) return null;
    return note(
      "The numbers can be seen. Plan without them:",
      button("Hide the numbers", () => store.set({ blind: true })),
    );
  }

  private moves(filled: LessonAnswer, at: number): HTMLElement[] {
    const last = filled.steps.length - 1;
    const onward = at < 0 ? "Begin" : at < last ? "Next" : filled.blind ? "I am done" : "How it went";
    const back = button("Back", () => this.go(at - 1), { id: "lesson-back", disabled: at < 0 });
    const next = button(onward, () => void this.onward(filled, at), {
      class: "primary",
      id: "lesson-next",
      hidden: at > last,
    });
    return [back, next];
  }

  private async onward(filled: LessonAnswer, at: number): Promise<void> {
    if (at < filled.steps.length - 1 || !filled.blind) {
      this.go(at + 1);
      return;
    }
    this.mine.judged = null;
    this.context.store.set({ blind: false });
    this.go(filled.steps.length);
    await this.judge();
  }

  private async mark(step: number, choice: string): Promise<void> {
    const { name, task } = this;
    const plan = this.plan ?? this.context.store.state.plan;
    setText(this.status, "Being worked out \u2026");
    const answered = await this.context.ask({ ask: "mark", lesson: name, step, plan, task, choice: choice });
    if (!answered || this.name !== name) return;
    this.mine.marks.set(step, { choice, answer: answered.answer, plan });
    this.keep();
    this.veil();
    this.show();
    this.body.querySelector<HTMLElement>(".lesson-feedback")?.focus();
  }

  private again(): void {
    this.progress.set(this.name, begun());
    this.go(-1);
  }

  private judgement(): Child[] {
    const { judged } = this.mine;
    const { store } = this.context;
    const again = button("Plan again", () => this.again());
    if (!judged)
      return [
        heading("The plan is judged"),
        note("It is held against the limits and against a good plan \u2026"),
        again,
      ];
    const { good } = judged;
    const take = good ? () => store.choose(good.plan) : null;
    const save = (kind: "csv" | "json") => this.saveScore((about) => judgementCsv(judged, about), judged, kind);
    return [...judgementPage(judged, take, save), h("p", {}, again)];
  }

  private async judge(): Promise<void> {
    const { plan, task } = this.context.store.state;
    const progress = (done: number, total: number, words: string) =>
      setText(this.status, `${words}: ${Math.round((100 * done) / total)} %`);
    const [name, mine] = [this.name, this.mine];
    const answered = await this.context.ask({ ask: "judge", lesson: name, plan, task }, { lane: "judge", progress });
    if (!answered) return;
    mine.judged = answered.answer;
    this.keep();
    setText(this.status, answered.answer.words);
    if (this.name === name) this.show();
  }
}
