// Builders for the page's elements: text goes in as text, never as markup.

type Listen = (event: Event) => void;
export type Attributes = Record<string, string | number | boolean | Listen | undefined>;
export type Child = Node | string | null;

/** An element: attributes by name, listeners as `onclick`; true is an empty attribute, false and undefined are none. */
export function h<K extends keyof HTMLElementTagNameMap>(
  tag: K,
  attributes: Attributes = {},
  ...children: Child[]
): HTMLElementTagNameMap[K] {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (typeof value === "function") element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== undefined) element.setAttribute(name, String(value));
  }
  element.append(...children.filter((child) => child !== null));
  return element;
}

export function button(words: string, onclick: () => void, attributes: Attributes = {}): HTMLButtonElement {
  return h("button", { type: "button", onclick, ...attributes }, words);
}

/** Changes text only where it differs, so that nothing is announced or repainted for nothing. */
export function setText(element: HTMLElement, words: string): void {
  if (element.textContent !== words) element.textContent = words;
}

let made = 0;

/** A name for an element that a label or a description points to. */
export const freshId = (stem: string): string => `${stem}-${++made}`;

/** A labelled choice of one among a few, by native radio buttons; `show` marks the one in force. */
export interface RadioChoice<T extends string> {
  element: HTMLFieldSetElement;
  show(value: T, options?: readonly T[]): void;
}

export function radioChoice<T extends string>(
  legend: string,
  options: readonly (readonly [T, string])[],
  chosen: (value: T) => void,
): RadioChoice<T> {
  const name = freshId("choice");
  const inputs = new Map<T, HTMLInputElement>();
  const marks = options.map(([value, words]) => {
    const input = h("input", { type: "radio", name, value, onchange: () => chosen(value) });
    inputs.set(value, input);
    return h("label", { class: "segment" }, input, h("span", {}, words));
  });
  const element = h(
    "fieldset",
    { class: "choice" },
    h("legend", {}, legend),
    h("div", { class: "segments" }, ...marks),
  );
  return {
    element,
    show(value, allowed) {
      for (const [each, input] of inputs) {
        input.checked = each === value;
        input.disabled = allowed !== undefined && !allowed.includes(each);
      }
    },
  };
}

/** A radio choice that keeps what is chosen. */
export function keptChoice<T extends string>(
  legend: string,
  options: readonly (readonly [T, string])[],
  first: T,
): { element: HTMLElement; value(): T } {
  let value = first;
  const choice = radioChoice<T>(legend, options, (chosen) => {
    value = chosen;
    choice.show(value);
  });
  choice.show(value);
  return { element: choice.element, value: () => value };
}

/** How long to search. */
export const EFFORT_CHOICES = [
  ["quick", "quick"],
  ["thorough", "thorough"],
] as const;

/** A labelled native list; `show` fills it anew only when its options have changed. */
export interface SelectField {
  element: HTMLElement;
  show(value: string, options: readonly (readonly [string, string])[]): void;
}

export function selectField(words: string, chosen: (value: string) => void, id = freshId("picker")): SelectField {
  const list = h("select", { id, onchange: () => chosen(list.value) });
  let shown = "";
  return {
    element: h("div", { class: "field" }, h("label", { for: id }, words), list),
    show(value, options) {
      const key = JSON.stringify(options);
      if (key !== shown) list.replaceChildren(...options.map(([each, words]) => h("option", { value: each }, words)));
      shown = key;
      list.value = value;
    },
  };
}

/** A labelled tick box. */
export interface Checkbox {
  element: HTMLElement;
  show(on: boolean): void;
}

export function checkbox(words: string, changed: (on: boolean) => void): Checkbox {
  const input = h("input", { type: "checkbox", onchange: () => changed(input.checked) });
  return {
    element: h("label", { class: "tick" }, input, h("span", {}, words)),
    show: (on) => {
      input.checked = on;
    },
  };
}

/** A part of a column that folds away. */
export function fold(words: string, open: boolean, ...children: Child[]): HTMLDetailsElement {
  return h("details", { class: "fold", open }, h("summary", {}, words), h("div", { class: "folded" }, ...children));
}

/** A modal dialog with its heading; Escape closes it, and the focus goes back to where it was. */
export function dialog(id: string, heading: string, ...children: Child[]): HTMLDialogElement {
  const title = freshId("title");
  const made = h("dialog", { id, "aria-labelledby": title }, h("h2", { id: title }, heading), ...children);
  document.body.append(made);
  return made;
}
