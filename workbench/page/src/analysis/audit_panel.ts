// The panel of a kept audit: the level before and after with the bone taken, planned against achieved, and what to look at.

import type { PanelPart } from "../session/context";
import { tableOf, written } from "../dom/data_table";
import { button, h } from "../dom/elements";
import { numbersShown } from "../model/store";
import type { AuditTable } from "../protocol/case_facts";
import { startPlan } from "../session/initial_plan";
import { auditSlices } from "../slices/audit_slices";

export const auditPanel: PanelPart = (root, context, isOpen) => {
  const { store } = context;
  const { audits } = store.state.facts;
  const slices = auditSlices(context);
  const report = h("div", { class: "audit-report", tabindex: "0", role: "region", "aria-label": "What was done" });
  const frame = h("div", { class: "audit-frame" }, slices.element, report);
  const elsewhere = h("div", { class: "cover" });
  root.append(frame, elsewhere);
  let requested = "";

  async function ask(level: string): Promise<void> {
    requested = level;
    const answered = await context.ask({ ask: "audit", level }, { lane: "audit" });
    if (!answered) {
      requested = "";
      return;
    }
    const { answer } = answered;
    if (answer.level !== store.state.plan.level) return;
    slices.element.hidden = !answer.maps;
    report.replaceChildren(
      h("h2", {}, `Audit of ${answer.level}`),
      h("p", { class: "audit-sentence" }, written(answer.sentence)),
      ...(answer.picture ? [h("img", { src: answer.picture, alt: "Before and after, with the bone taken" })] : []),
      ...answer.tables.map((table) => (table.places?.length ? placesTable(table) : auditTable(table))),
      h("ul", {}, ...answer.sentences.map((each) => h("li", {}, written(each)))),
      h("p", { class: "quiet" }, store.state.facts.caution),
    );
    if (answer.maps) void slices.show(answer.level);
  }

  function placesTable(table: AuditTable): HTMLElement {
    const element = auditTable(table);
    table.places?.forEach((place, row) =>
      element.querySelectorAll("tbody tr")[row]?.append(
        h(
          "td",
          {},
          button("Show", () => slices.goTo(place), { "aria-label": `Show place ${row + 1} on the slices` }),
        ),
      ),
    );
    element.querySelector("thead tr")?.append(h("th", { scope: "col" }, ""));
    return element;
  }

  function follow(): void {
    const { level } = store.state.plan;
    const here = audits.includes(level);
    frame.hidden = !here;
    elsewhere.hidden = here;
    if (!here) {
      elsewhere.replaceChildren(
        h("p", {}, `No audit is kept of ${level}.`),
        ...audits.map((name) =>
          button(`Open ${name}, which was audited`, () => void startPlan(context, { level: name })),
        ),
      );
    } else if (requested !== level && isOpen(store.state) && numbersShown(store.state)) void ask(level);
    else if (isOpen(store.state)) slices.redraw();
  }

  store.subscribe((_, changed) => {
    if ((["plan", "looks", "confirmed", "blind", "link"] as const).some((key) => changed.has(key))) follow();
  });
  follow();
};

const auditTable = ({ title, columns, rows }: AuditTable): HTMLElement =>
  tableOf(
    title,
    columns,
    rows.map((row) => row.map(written)),
  );
