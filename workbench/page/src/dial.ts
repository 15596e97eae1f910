// A quantity under the hand: a native slider and a number field that show the same value, with unit and range.

import { freshId, h, say } from "./elements";
import { number } from "./wording";

export interface Quantity {
  label: string;
  /** As written beside the number, such as "°" or "mm"; `spoken` is the same for those who listen. */
  unit: string;
  spoken: string;
  /** What an arrow key moves; the keys for a page move ten of it. */
  step: number;
  /** The ends of the slider; without them there is a number field only. */
  ends: readonly [number, number] | null;
  /** Are the ends a range that someone stands for, so that a value beyond them is told in words? */
  bound: boolean;
  /** What the number field takes at all. */
  takes: readonly [number, number];
  /** Words on the range: where it comes from. */
  source?: string;
  large?: boolean;
}

export interface Dial {
  element: HTMLElement;
  /** The value in force, what it means in words, and whether it is still being worked out. */
  show(value: number | null, words?: string, stale?: boolean): void;
}

/** What a dial does to the plan: each movement, and the end of it. */
export interface Hand {
  move(value: number): void;
  settle(): void;
}

/** Key presses and typing with shorter pauses than this are one movement, ms. */
const PAUSE_MS = 400;

const PAGE_STEPS = 10;

export function dial(quantity: Quantity, hand: Hand): Dial {
  const { label, unit, ends, takes } = quantity;
  const [id, told] = [freshId("dial"), freshId("told")];
  const field = h("input", {
    type: "number", min: takes[0], max: takes[1], step: "any", inputmode: "decimal",
    "aria-label": `${label}, in ${quantity.spoken}`, "aria-describedby": told,
  });
  const slider = ends && h("input", {
    type: "range", id, min: ends[0], max: ends[1], step: "any", "aria-describedby": told,
  });
  const name = slider ? h("label", { for: id }, label) : h("span", { class: "name" }, label);
  const words = h("span", { id: told, class: "dial-words" });
  const top = h("div", { class: "dial-top" }, name, h("span", { class: "dial-value" }, field, h("span", { class: "unit" }, unit)));
  const element = h("div", { class: quantity.large ? "dial large" : "dial" }, top, slider, slider ? rangeRow(quantity, words) : words);
  const state = { value: null as number | null };
  const steady = steadied(hand);
  const moved = (value: number) => {
    state.value = value;
    steady.move(value);
  };
  if (slider) followSlider(slider, quantity, state, moved, steady);
  followField(field, quantity, state, moved, steady, words);
  return { element, show: shower(quantity, { element, field, slider, words }, state) };
}

interface Faces {
  element: HTMLElement;
  field: HTMLInputElement;
  slider: HTMLInputElement | null;
  words: HTMLElement;
}

function shower(quantity: Quantity, faces: Faces, state: { value: number | null }): Dial["show"] {
  const { element, field, slider, words } = faces;
  return (value, told = "", stale = false) => {
    state.value = value;
    const text = value === null ? "" : shown(value);
    // a number that is being typed is left alone
    if (!field.matches("[data-typing]") && field.value !== text) field.value = text;
    if (slider) {
      slider.disabled = value === null;
      if (value !== null && Number(slider.value) !== value) slider.value = String(value);
      slider.setAttribute("aria-valuetext", value === null ? "not known" : `${shown(value)} ${quantity.spoken}`);
    }
    field.disabled = value === null;
    const beyond = value === null ? "" : beyondWords(quantity, value);
    element.classList.toggle("beyond", beyond !== "");
    element.classList.toggle("stale", stale);
    say(words, [told, beyond].filter(Boolean).join("; "));
  };
}

/** A number as a field shows it: to the tenth, with no needless zero. */
const shown = (value: number): string => {
  const rounded = Math.round(value * 10) / 10;
  return String(rounded === 0 ? 0 : rounded);
};

function beyondWords({ ends, bound, unit }: Quantity, value: number): string {
  if (!ends || !bound) return "";
  // what a field shows as the end itself is not told as beyond it
  const rounded = Math.round(value * 10) / 10;
  if (rounded >= ends[0] && rounded <= ends[1]) return "";
  return `! beyond the planner's range, ${ends.map((end) => number(end, 0)).join(" to ")}${unit === "°" ? unit : ` ${unit}`}`;
}

/** The ends of the slider, and between them what the value means. */
function rangeRow({ ends, unit, source }: Quantity, words: HTMLElement): HTMLElement {
  const mark = (end: number) => h("span", { "aria-hidden": "true", title: source ?? "" }, `${number(end, 0)}${unit === "°" ? unit : ""}`);
  const [low, high] = ends ?? [0, 0];
  return h("div", { class: "dial-ends" }, mark(low), words, mark(high));
}

type Moved = (value: number) => void;
type Steady = ReturnType<typeof steadied>;

/** Ends a movement after a pause, or at once where the hand has let go. */
function steadied(hand: Hand) {
  let timer = 0;
  let under = false;
  return {
    move(value: number) {
      under = true;
      clearTimeout(timer);
      hand.move(value);
    },
    later(): void {
      clearTimeout(timer);
      timer = setTimeout(() => this.end(), PAUSE_MS);
    },
    end(): void {
      clearTimeout(timer);
      if (under) hand.settle();
      under = false;
    },
  };
}

function followSlider(
  slider: HTMLInputElement, quantity: Quantity, state: { value: number | null }, moved: Moved, steady: Steady,
): void {
  const { step, ends } = quantity;
  // a hand that holds the slider still has not let go
  let held = false;
  slider.addEventListener("pointerdown", () => {
    held = true;
  });
  for (const over of ["pointerup", "pointercancel"]) {
    slider.addEventListener(over, () => {
      held = false;
      steady.later();
    });
  }
  slider.addEventListener("input", () => {
    moved(Math.round(Number(slider.value) / step) * step);
    if (!held) steady.later();
  });
  slider.addEventListener("change", () => steady.end());
  slider.addEventListener("keydown", (event) => {
    const value = stepped(event.key, state.value, step, ends);
    if (value === null || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    moved(value);
    steady.later();
  });
}

function followField(
  field: HTMLInputElement, quantity: Quantity, state: { value: number | null }, moved: Moved, steady: Steady, words: HTMLElement,
): void {
  const [low, high] = quantity.takes;
  let timer = 0;
  const take = () => {
    clearTimeout(timer);
    if (!field.matches("[data-typing]")) return;
    field.removeAttribute("data-typing");
    const value = field.valueAsNumber;
    const fits = value >= low && value <= high;
    field.setAttribute("aria-invalid", String(!fits));
    if (!fits) return say(words, `! must be ${number(low, 0)} to ${number(high, 0)}`);
    moved(value);
    steady.end();
  };
  field.addEventListener("input", () => {
    field.setAttribute("data-typing", "");
    clearTimeout(timer);
    timer = setTimeout(take, 2 * PAUSE_MS);
  });
  field.addEventListener("change", take);
  field.addEventListener("keydown", (event) => {
    if (event.key === "Home" || event.key === "End" || event.key.startsWith("ArrowL") || event.key.startsWith("ArrowR")) return;
    const value = stepped(event.key, state.value, quantity.step, quantity.takes);
    if (value === null || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    field.removeAttribute("data-typing");
    moved(Math.min(Math.max(value, low), high));
    steady.later();
  });
}

const STEPS: Record<string, number> = {
  ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: PAGE_STEPS, PageDown: -PAGE_STEPS,
};

/** Where a key leads: onto the next whole step in its direction, or to an end; null for other keys. */
export function stepped(
  key: string, value: number | null, step: number, ends: readonly [number, number] | null,
): number | null {
  if (value === null) return null;
  if (ends && key === "Home") return ends[0];
  if (ends && key === "End") return ends[1];
  const steps = STEPS[key];
  if (steps === undefined) return null;
  const place = value / step;
  const from = steps > 0 ? Math.floor(place + 1e-6) : Math.ceil(place - 1e-6);
  const next = (from + steps) * step;
  // an arrow never brings back within the ends what lies beyond them, nor leads further out
  if (!ends || (value >= ends[0] && value <= ends[1])) return ends ? Math.min(Math.max(next, ends[0]), ends[1]) : next;
  return next;
}
