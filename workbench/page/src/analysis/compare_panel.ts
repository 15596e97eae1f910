// The panel of pinned plans: up to four compared in one table with differences, and in the same views.

import type { Context, PanelPart } from "../session/context";
import { button, h, setText, checkbox } from "../dom/elements";
import { planViews } from "./plan_views";
import type { PlanComparison } from "../protocol/comparisons";
import { planTable } from "./plan_table";
import type { Plan } from "../protocol/plan";
import { numbersShown, type PinnedPlan, same } from "../model/store";

import { accessSection } from "./access_table";
import { progressButton } from "../session/progress_button";

/** Plans that can be taken in side by side. */
const MOST = 4;

/** After the pins came to rest, ms. */
const REST_MS = 300;

export const comparePanel: PanelPart = (root, context, isOpen) => {
  const { store } = context;
  const pins = pinList(context);
  const doing = progressButton(context, "Work out the table anew", "pinned", () => void ask());
  doing.start.classList.remove("primary");
  const against = { midline: false, both: false };
  const midline = checkbox("a midline laminectomy, as a reference", (on) => change({ midline: on }));
  const both = checkbox(
    "both sides: the ipsilateral phases of the first left and the first right plan, each for its own side",
    (on) => change({ both: on }),
  );
  const note = h("p", { class: "quiet" });
  const table = h("div", { class: "pin-table" });
  const views = planViews(context, here, isOpen);
  const options = h(
    "fieldset",
    { class: "choice ticks-choice" },
    h("legend", {}, "Held beside them"),
    midline.element,
    both.element,
  );
  const held = h(
    "section",
    { "aria-label": "Pinned plans" },
    h("h2", {}, "Pinned plans"),
    pins.element,
    options,
    note,
    doing.element,
    table,
    views.element,
  );
  root.append(h("div", { class: "compare-frame" }, accessSection(context, pins.add), held));
  let worked = "";
  let timer = 0;

  /** Pins of the level that is shown: only those can be held against each other. */
  function here(): PinnedPlan[] {
    return store.state.pins.filter((pin) => pin.plan.level === store.state.plan.level);
  }

  const sides = () => new Set(here().map((pin) => pin.plan.side));
  const wanted = () => ({
    plans: here().map((pin) => pin.plan),
    task: store.state.task,
    midline: against.midline,
    both: against.both && sides().size === 2,
  });

  function change(to: Partial<typeof against>): void {
    Object.assign(against, to);
    follow();
  }

  function follow(): void {
    pins.show();
    views.follow();
    for (const input of both.element.querySelectorAll("input")) input.disabled = sides().size < 2;
    const count = here().length;
    const away = store.state.pins.length - count;
    const elsewhere = away
      ? ` ${away} pinned at other levels ${away === 1 ? "is" : "are"} not held against these.`
      : "";
    setText(
      note,
      count
        ? `Differences are compared against the first.${elsewhere}`
        : `Pin the plan that is shown, change it, and pin it again: up to ${MOST} are held against each other.${elsewhere}`,
    );
    const stale = worked !== JSON.stringify(wanted());
    table.classList.toggle("stale", stale);
    table.setAttribute("aria-busy", String(stale && count > 0));
    doing.element.hidden = count === 0;
    if (!count) table.replaceChildren();
    window.clearTimeout(timer);
    if (stale && count && isOpen(store.state) && numbersShown(store.state))
      timer = window.setTimeout(() => void ask(), REST_MS);
  }

  async function ask(): Promise<void> {
    const question = wanted();
    if (!question.plans.length) return;
    const answer = await doing.run({ ask: "pinned", ...question });
    if (!answer) return;
    worked = JSON.stringify(question);
    draw(answer);
    follow();
  }

  let compared: PlanComparison | null = null;
  function draw(answer: PlanComparison | null): void {
    compared = answer;
    if (compared)
      table.replaceChildren(
        planTable(
          compared,
          here().map((pin, place) => nameOf(pin, place)),
        ),
      );
  }

  store.subscribe((_, changed) => {
    if (["pins", "plan", "task", "looks", "confirmed", "blind", "link"].some((name) => changed.has(name as "pins")))
      follow();
    if (changed.has("pins") && worked === JSON.stringify(wanted())) draw(compared);
  });
  follow();
};

/** The letter that stands for a pin in table and pictures. */
export const pinLetter = (place: number): string => "ABCD"[place] ?? "";

const nameOf = (pin: PinnedPlan, place: number): string => `${pinLetter(place)} ${pin.name}`;

interface PinnedPlanList {
  element: HTMLElement;
  add(name: string, plan: Plan): void;
  show(): void;
}

/** The pins, each with its name, and what can be done with it. */
function pinList({ store }: Context): PinnedPlanList {
  const list = h("ol", { class: "pins" });
  const pin = button("Pin this plan", () => add(usualName(), store.state.plan), { id: "pin-plan", class: "primary" });
  const full = h("span", { class: "quiet" });
  const element = h("div", {}, h("div", { class: "working" }, pin, full), list);
  let drawn = "";

  const usualName = () => {
    const { name, plan } = store.state;
    return name || `${plan.side}, ${Math.round(plan.phases.at(-1)?.medial_tilt_deg ?? 0)}\u00b0`;
  };

  function add(name: string, plan: Plan): void {
    const { pins } = store.state;
    if (pins.length < MOST) store.set({ pins: [...pins, { name, plan }] });
  }

  const change = (place: number, to: PinnedPlan | null) =>
    store.set({ pins: store.state.pins.flatMap((pin, index) => (index !== place ? [pin] : to ? [to] : [])) });

  const first = (place: number) => {
    const { pins } = store.state;
    store.set({ pins: [...pins.slice(place, place + 1), ...pins.filter((_, index) => index !== place)] });
  };

  /** Places of pins count per level, as in the table. */
  const letter = (place: number) => {
    const level = store.state.pins[place]?.plan.level;
    return pinLetter(store.state.pins.slice(0, place).filter((pin) => pin.plan.level === level).length);
  };

  function line(one: PinnedPlan, place: number): HTMLElement {
    const name = h("input", {
      type: "text",
      value: one.name,
      maxlength: "40",
      "aria-label": `Name of pin ${letter(place)}`,
    });
    name.addEventListener("change", () => change(place, { ...one, name: name.value.trim() || one.name }));
    const shown = same(one.plan, store.state.plan);
    const show = button(shown ? "Shown" : "Show", () => store.choose(one.plan), {
      "aria-label": `${shown ? "Shown" : "Show"}: ${one.name}`,
      "aria-pressed": String(shown),
    });
    const lead = button("Make first", () => first(place), {
      "aria-label": `Make first: ${one.name}`,
      disabled: place === 0,
    });
    const off = button("Unpin", () => change(place, null), { "aria-label": `Unpin: ${one.name}` });
    const where = h("span", { class: "quiet" }, `${one.plan.level} ${one.plan.side}`);
    return h(
      "li",
      {},
      h("span", { class: "letter-mark", "aria-hidden": "true" }, letter(place)),
      name,
      where,
      show,
      lead,
      off,
    );
  }

  function show(): void {
    const { pins, plan } = store.state;
    pin.disabled = pins.length >= MOST;
    setText(full, pins.length >= MOST ? `${MOST} are pinned: unpin one to pin another.` : "");
    const now = JSON.stringify([pins, pins.map((each) => same(each.plan, plan))]);
    if (now === drawn) return;
    drawn = now;
    const focused = focusIn(list);
    list.replaceChildren(...pins.map(line));
    focused();
  }

  return { element, add, show };
}

/** Filling a list anew must not lose the focus of who works in it. */
function focusIn(list: HTMLElement): () => void {
  const item = document.activeElement?.closest("li") ?? null;
  const place = item ? [...list.children].indexOf(item) : -1;
  const control = item && document.activeElement ? [...item.children].indexOf(document.activeElement) : -1;
  return () => {
    if (place < 0) return;
    const same_place = list.children[Math.min(place, list.children.length - 1)]?.children[control];
    (same_place instanceof HTMLElement ? same_place : document.getElementById("pin-plan"))?.focus();
  };
}
