// A number control: a native slider and a number field that show the same value, with unit, range and keys.

import { freshId, h, setText } from "./elements";
import { number } from "../model/number_format";

type NumberRange = readonly [number, number];

export interface Quantity {
  label: string;
  /** As written beside the number, such as "°" or "mm"; `spoken` is the same for those who listen. */
  unit: string;
  spoken: string;
  /** What an arrow key moves; the keys for a page move ten of it. */
  step: number;
  /** The ends of the slider; without them there is a number field only. */
  ends: NumberRange | null;
  /** Are the ends a range that someone stands for, so that a value beyond them is stated in words? */
  bound: boolean;
  /** What the number field takes at all. */
  takes: NumberRange;
  /** Words on the range: where it comes from. */
  source?: string;
  large?: boolean;
}

/** What a dial does to the plan: each movement, and the end of it. */
export interface SliderTarget {
  move(value: number): void;
  settle(): void;
}

/** Key presses with shorter pauses than this are one movement, ms. */
const PAUSE_MS = 400;

/** A number that is typed counts after a pause of this, if Enter or Tab does not come first, ms. */
const TYPED_MS = 800;

const PAGE_STEPS = 10;

export class Slider {
  readonly element: HTMLElement;
  private readonly words = h("span", { id: freshId("words"), class: "dial-words" });
  private readonly field: HTMLInputElement;
  private readonly slider: HTMLInputElement | null;
  private value: number | null = null;
  private typing = false;
  /** Why what was typed last was not taken; shown until another value comes from here. */
  private refusal = "";
  /** Is a movement going on, and does a pointer hold the slider? */
  private under = false;
  private held = false;
  private pause = 0;

  constructor(
    private readonly quantity: Quantity,
    private readonly target: SliderTarget,
  ) {
    this.field = fieldOf(quantity, this.words.id);
    this.slider = quantity.ends && sliderOf(quantity.ends, this.words.id);
    this.element = arranged(quantity, this.field, this.slider, this.words);
    this.followField();
    if (this.slider) this.followSlider(this.slider);
  }

  /** The value in force, what it means in words, and whether it is still being worked out. */
  show(value: number | null, words = "", stale = false): void {
    this.value = value;
    const text = value === null ? "" : shown(value);
    // a number that is being typed is left alone
    const own = this.typing || (this.refusal !== "" && document.activeElement === this.field);
    if (!own && this.field.value !== text) this.field.value = text;
    if (value !== null) this.field.setAttribute("aria-valuenow", String(tenth(value)));
    this.field.disabled = value === null;
    if (this.slider) this.showSlider(this.slider, value);
    const beyond = value === null ? "" : beyondWords(this.quantity, value);
    this.element.classList.toggle("beyond", beyond !== "");
    this.element.classList.toggle("stale", stale);
    this.field.setAttribute("aria-invalid", String(this.refusal !== ""));
    setText(this.words, this.refusal || [words, beyond].filter(Boolean).join("; "));
  }

  private showSlider(slider: HTMLInputElement, value: number | null): void {
    slider.disabled = value === null;
    if (value !== null && Number(slider.value) !== value) slider.value = String(value);
    slider.setAttribute("aria-valuetext", value === null ? "not known" : `${shown(value)} ${this.quantity.spoken}`);
  }

  private moved(value: number): void {
    clearTimeout(this.pause);
    this.under = true;
    this.refusal = "";
    this.value = value;
    this.target.move(value);
  }

  /** Ends the movement after a pause; a slider that is held still has not been let go. */
  private soon(): void {
    clearTimeout(this.pause);
    if (!this.held) this.pause = window.setTimeout(() => this.end(), PAUSE_MS);
  }

  private end(): void {
    clearTimeout(this.pause);
    if (this.under) this.target.settle();
    this.under = false;
  }

  private followSlider(slider: HTMLInputElement): void {
    const { step, ends } = this.quantity;
    const hold = (held: boolean) => () => {
      this.held = held;
      if (!held) this.soon();
    };
    slider.addEventListener("pointerdown", hold(true));
    slider.addEventListener("pointerup", hold(false));
    slider.addEventListener("pointercancel", hold(false));
    slider.addEventListener("input", () => {
      this.moved(Math.round(Number(slider.value) / step) * step);
      this.soon();
    });
    slider.addEventListener("change", () => this.end());
    slider.addEventListener("keydown", (event) => this.key(event, ends));
  }

  private followField(): void {
    const { field } = this;
    field.addEventListener("input", () => {
      this.typing = true;
      clearTimeout(this.pause);
      this.pause = window.setTimeout(() => this.take(), TYPED_MS);
    });
    field.addEventListener("change", () => this.take());
    field.addEventListener("blur", () => {
      if (this.value !== null) field.value = shown(this.value);
    });
    field.addEventListener("keydown", (event) => {
      // these move the cursor in the text
      if (!["Home", "End", "ArrowLeft", "ArrowRight"].includes(event.key)) this.key(event, this.quantity.takes);
    });
  }

  /** Takes what was typed, or says why not. */
  private take(): void {
    if (!this.typing) return;
    this.typing = false;
    const [low, high] = this.quantity.takes;
    const value = numberTyped(this.field.value);
    if (value >= low && value <= high) {
      this.moved(value);
      this.end();
      return;
    }
    const kept = this.value === null ? "" : `; stays ${shown(this.value)}`;
    const why = Number.isNaN(value) ? "not a number" : `must be ${number(low, 0)} to ${number(high, 0)}`;
    this.refusal = `! ${why}${kept}`;
    this.field.setAttribute("aria-invalid", "true");
    setText(this.words, this.refusal);
  }

  private key(event: KeyboardEvent, ends: NumberRange | null): void {
    const value = stepped(event.key, this.value, this.quantity.step, ends);
    if (value === null || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    this.typing = false;
    this.moved(value);
    this.soon();
  }
}

const fieldOf = ({ label, spoken, takes }: Quantity, words: string): HTMLInputElement =>
  h("input", {
    // not of type number: that refuses a decimal comma without a word
    type: "text",
    class: "number",
    role: "spinbutton",
    "aria-valuemin": takes[0],
    "aria-valuemax": takes[1],
    inputmode: "decimal",
    autocomplete: "off",
    "aria-label": `${label}, in ${spoken}`,
    "aria-describedby": words,
  });

const sliderOf = ([low, high]: NumberRange, words: string): HTMLInputElement =>
  h("input", { type: "range", id: freshId("dial"), min: low, max: high, step: "any", "aria-describedby": words });

function arranged(
  { label, unit, large, ...rest }: Quantity,
  field: HTMLElement,
  slider: HTMLElement | null,
  words: HTMLElement,
): HTMLElement {
  const name = slider ? h("label", { for: slider.id }, label) : h("span", { class: "name" }, label);
  const value = h("span", { class: "dial-value" }, field, h("span", { class: "unit" }, unit));
  const below = rest.ends ? rangeRow(rest.ends, unit, rest.source ?? "", words) : words;
  return h(
    "div",
    { class: large ? "dial large" : "dial" },
    h("div", { class: "dial-top" }, name, value),
    slider,
    below,
  );
}

/** The ends of the slider, and between them what the value means. */
function rangeRow([low, high]: NumberRange, unit: string, source: string, words: HTMLElement): HTMLElement {
  const mark = (end: number) =>
    h("span", { "aria-hidden": "true", title: source }, `${number(end, 0)}${unit === "°" ? unit : ""}`);
  return h("div", { class: "dial-ends" }, mark(low), words, mark(high));
}

/** A number as people type it, with a point or a comma; NaN for what is none. */
export function numberTyped(text: string): number {
  const plain = text.trim().replace("\u2212", "-").replace(",", ".");
  return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(plain) ? Number(plain) : NaN;
}

const tenth = (value: number): number => Math.round(value * 10) / 10 || 0;

/** A number as a field shows it: to the tenth, with no needless zero. */
const shown = (value: number): string => String(tenth(value));

function beyondWords({ ends, bound, unit }: Quantity, value: number): string {
  if (!ends || !bound) return "";
  // what a field shows as the end itself is not stated as beyond it
  if (tenth(value) >= ends[0] && tenth(value) <= ends[1]) return "";
  return `! beyond the planner's range, ${ends.map((end) => number(end, 0)).join(" to ")}${unit === "°" ? unit : ` ${unit}`}`;
}

const STEPS: Record<string, number> = {
  ArrowRight: 1,
  ArrowUp: 1,
  ArrowLeft: -1,
  ArrowDown: -1,
  PageUp: PAGE_STEPS,
  PageDown: -PAGE_STEPS,
};

/** Where a key leads: onto the next whole step in its direction, or to an end; null for other keys. */
export function stepped(key: string, value: number | null, step: number, ends: NumberRange | null): number | null {
  if (value === null) return null;
  if (ends && key === "Home") return ends[0];
  if (ends && key === "End") return ends[1];
  const steps = STEPS[key];
  if (steps === undefined) return null;
  const place = value / step;
  const from = steps > 0 ? Math.floor(place + 1e-6) : Math.ceil(place - 1e-6);
  return within((from + steps) * step, value, ends);
}

/** An arrow stops at the ends; from beyond them it leads back, and no further out. */
function within(next: number, value: number, ends: NumberRange | null): number {
  if (!ends) return next;
  const [low, high] = [Math.min(ends[0], value), Math.max(ends[1], value)];
  return Math.min(Math.max(next, low), high);
}
