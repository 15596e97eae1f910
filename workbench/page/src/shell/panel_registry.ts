// The panels of the strip below the scene, one record each. Tabs, their order, keys, the help on keys and the places in
// the markup all follow from this list: a new panel is a new record and the module that builds it.

import { auditPanel } from "../analysis/audit_panel";
import { chartsPanel } from "../analysis/charts_panel";
import { comparePanel } from "../analysis/compare_panel";
import { levelsPanel } from "../analysis/levels_panel";
import { searchPanel } from "../analysis/search_panel";
import { lessonPanel } from "../panels/lesson_panel";
import { sheetPanel } from "../panels/sheet_panel";
import type { CaseFacts } from "../protocol/case_facts";
import type { PanelPart } from "../session/context";
import { slicesPanel } from "../slices/slices_panel";

export interface PanelRecord {
  /** In the state, and of the elements `tab-ID` and `panel-ID`. */
  id: string;
  /** On the tab. */
  title: string;
  /** A single key that opens it; "" for none. */
  shortcut: string;
  /** Does it tell numbers? It is then covered until numbers may be seen. */
  tellsNumbers: boolean;
  build: PanelPart;
  /** Does the case have what it shows? Otherwise it is left out. */
  present?: (facts: CaseFacts) => boolean;
}

/** In the order of their tabs; the first is open when a case is first opened. */
const PANELS: readonly PanelRecord[] = [
  { id: "slices", title: "Slices", shortcut: "", tellsNumbers: false, build: slicesPanel },
  { id: "charts", title: "Charts", shortcut: "", tellsNumbers: true, build: chartsPanel },
  { id: "search", title: "Search", shortcut: "", tellsNumbers: true, build: searchPanel },
  { id: "compare", title: "Compare", shortcut: "", tellsNumbers: true, build: comparePanel },
  { id: "lesson", title: "Lesson", shortcut: "", tellsNumbers: false, build: lessonPanel },
  { id: "sheet", title: "Sheet", shortcut: "", tellsNumbers: true, build: sheetPanel },
  {
    id: "levels",
    title: "Levels",
    shortcut: "",
    tellsNumbers: false,
    build: levelsPanel,
    present: (facts) => facts.levels.length > 1 || facts.several || facts.cohort,
  },
  {
    id: "audit",
    title: "Audit",
    shortcut: "",
    tellsNumbers: true,
    build: auditPanel,
    present: (facts) => facts.audits.length > 0,
  },
];

/** The panels of a case. */
export const panelsOf = (facts: CaseFacts): readonly PanelRecord[] =>
  PANELS.filter(({ present }) => present?.(facts) ?? true);
