// Tables of data: a chart as a table, for those who do not see it or want its numbers; and sentences with units.

import { h } from "./elements";

export interface ChartTable {
  element: HTMLElement;
  fill(caption: string, heads: readonly string[], rows: readonly (readonly string[])[]): void;
}

export function chartTable(summary: string): ChartTable {
  const holder = h("div", { class: "scrolls", tabindex: "0", role: "region", "aria-label": summary });
  let made: (() => HTMLTableElement) | null = null;
  const element = h("details", { class: "as-table", ontoggle: () => shown() }, h("summary", {}, summary), holder);
  const shown = () => {
    if (element.open && made) holder.replaceChildren(made());
  };
  return {
    element,
    fill(caption, heads, rows) {
      made = () => tableOf(caption, heads, rows);
      shown();
    },
  };
}

export function tableOf(
  caption: string,
  heads: readonly string[],
  rows: readonly (readonly string[])[],
): HTMLTableElement {
  return h(
    "table",
    { class: "data" },
    h("caption", {}, caption),
    h("thead", {}, h("tr", {}, ...heads.map((head) => h("th", { scope: "col" }, head)))),
    h(
      "tbody",
      {},
      ...rows.map(([first, ...rest]) =>
        h("tr", {}, h("th", { scope: "row" }, first ?? ""), ...rest.map((cell) => h("td", {}, cell))),
      ),
    ),
  );
}

export const numbersIn = (values: readonly (number | null)[]): number[] =>
  values.filter((value): value is number => value !== null);

/** A sentence of the server with units and signs as people write them. */
export const written = (words: string): string =>
  words
    .replace(/\bmm3\b/g, "mm\u00b3")
    .replace(/\bmm2\b/g, "mm\u00b2")
    .replace(/(^|[\s(])-(?=\d)/g, "$1\u2212");
