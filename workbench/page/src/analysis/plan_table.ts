// The table of compared plans: one column a plan, one line a number, each with its difference from the first.

import { h } from "../dom/elements";
import type { ComparedPlan, ComparedUnit, Difference, PlanComparison } from "../protocol/comparisons";
import { interval, number, percent } from "../model/number_format";

const DIGITS: Record<ComparedUnit, number> = { mm: 1, mm2: 0, mm3: 0, fraction: 0 };
const WRITTEN: Record<ComparedUnit, string> = { mm: "mm", mm2: "mm\u00b2", mm3: "mm\u00b3", fraction: "%" };

/** `names`: of the pins, in order; the rows after them have names of their own. */
export function planTable(answer: PlanComparison, names: readonly string[]): HTMLElement {
  const columns = answer.rows.map((row, place) => names[place] ?? row.name);
  const heads = columns.map((name, place) =>
    h(
      "th",
      { scope: "col" },
      h("span", { class: "pin-name" }, name),
      h("span", { class: "quiet" }, place === 0 ? "the others are compared with it" : ""),
    ),
  );
  const lines = answer.quantities.map((quantity) =>
    h(
      "tr",
      {},
      h("th", { scope: "row" }, quantity.words),
      ...answer.rows.map((row) => cellOf(row, quantity.name, quantity.unit)),
    ),
  );
  const note = h(
    "p",
    { class: "quiet" },
    `${answer.level}: each number with its 95 % interval; below it the difference from ${columns[0] ?? "the first"}, from samples in which all meet the same borders and, from one side, the same execution errors.`,
  );
  const table = h(
    "table",
    { class: "data pinned", "aria-label": `Pinned plans at ${answer.level}` },
    h("thead", {}, h("tr", {}, h("td", {}), ...heads)),
    h("tbody", {}, ...lines),
  );
  const sentences = answer.rows
    .slice(1)
    .map((row, place) => h("li", {}, h("strong", {}, `${columns[place + 1] ?? row.name}: `), row.words));
  return h(
    "div",
    {},
    note,
    h("div", { class: "scrolls", tabindex: "0", role: "region", "aria-label": "Table of pinned plans" }, table),
    h("ul", { class: "in-words" }, ...sentences),
  );
}

function cellOf(row: ComparedPlan, name: string, unit: ComparedUnit): HTMLElement {
  const found = row.numbers[name];
  if (!found) return h("td", { class: "quiet" }, "\u2013");
  const scale = unit === "fraction" ? 100 : 1;
  const value = unit === "fraction" ? percent(found.value) : `${number(found.value, DIGITS[unit])} ${WRITTEN[unit]}`;
  const between = interval(found.interval95, DIGITS[unit], scale);
  const cell = h(
    "td",
    {},
    h("span", { class: "cell-value" }, value),
    between ? h("span", { class: "ends" }, ` (${between})`) : null,
  );
  const difference = row.differences?.[name];
  if (difference) cell.append(differenceOf(difference, unit, scale));
  return cell;
}

function differenceOf(difference: Difference, unit: ComparedUnit, scale: number): HTMLElement {
  const [low, high] = difference.interval95;
  if (difference.value === 0 && low === 0 && high === 0) return h("span", { class: "difference tie" }, "no difference");
  const more = `${signed(scale * difference.value, DIGITS[unit])} (${number(scale * low, DIGITS[unit])} to ${number(scale * high, DIGITS[unit])})`;
  return h("span", { class: difference.tie ? "difference tie" : "difference" }, difference.tie ? `tie: ${more}` : more);
}

const signed = (value: number, digits: number): string => {
  const text = number(value, digits);
  return value > 0 && Number(text) !== 0 ? `+${text}` : text;
};
