// Autosave: the page's state is kept in the case, and mirrored in the tab, so that neither a reload nor a server that
// has died loses anything. Each tab keeps its own.

import { startRequested } from "./initial_plan";
import { type Connection, RequestFailed } from "./connection";
import type { CaseFacts } from "../protocol/case_facts";
import { plan } from "../protocol/plan";
import {
  dictionary,
  fits,
  flag,
  list,
  numeric,
  object,
  oneOf,
  optional,
  pair,
  text,
  type TypeOf,
} from "../protocol/validation";
import type { Store } from "../model/store";
import { writeStored, readStored } from "../dom/browser_storage";

/** After the last change, ms. */
const KEEP_MS = 1000;

/** How long another tab has to say that a name is its own, ms. */
const CLAIM_MS = 60;

const TAB = "canalwise-tab";
const LETTERS = "abcdefghijklmnopqrstuvwxyz0123456789";

/** The page's address holds the run's token: what another run mirrored is not taken for this one's. */
const mirror = (): string => `canalwise-kept:${location.pathname}`;

const savedSettings = object({
  theme: optional(oneOf("dark", "light")),
  turned: optional(oneOf("theatre", "reading")),
  grey_window: optional(pair(numeric)),
  phase: optional(numeric),
  scope_past_mm: optional(numeric),
  scope_view_deg: optional(numeric),
  scope_turn_deg: optional(numeric),
  shown: optional(dictionary(flag)),
  panel: optional(text),
});

const savedState = object({
  plan,
  name: optional(text),
  task: optional(list(text)),
  confirmed: optional(dictionary(flag)),
  looks: optional(savedSettings),
  pins: optional(list(object({ name: text, plan }))),
  blind: optional(flag),
  past: optional(list(plan)),
  future: optional(list(plan)),
});

export type SavedState = TypeOf<typeof savedState>;

const freshTab = (): string =>
  Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) => LETTERS[byte % LETTERS.length]).join("");

/** This tab's name; a tab that was duplicated with its storage gets one of its own. */
export async function tabName(): Promise<string> {
  const known = readStored("sessionStorage", TAB);
  const tab = known && !(await claimed(known)) ? known : freshTab();
  writeStored("sessionStorage", TAB, tab);
  const channel = new BroadcastChannel(TAB);
  channel.onmessage = (event: MessageEvent<{ asks?: string }>) => {
    if (event.data.asks === tab) channel.postMessage({ has: tab });
  };
  return tab;
}

function claimed(tab: string): Promise<boolean> {
  const channel = new BroadcastChannel(TAB);
  return new Promise((resolve) => {
    const done = (answer: boolean) => {
      channel.close();
      resolve(answer);
    };
    channel.onmessage = (event: MessageEvent<{ has?: string }>) => {
      if (event.data.has === tab) done(true);
    };
    channel.postMessage({ asks: tab });
    setTimeout(() => done(false), CLAIM_MS);
  });
}

/**
 * What was kept: this tab's mirror, which is the newest there is, else what the case holds unless the command line
 * requested to start elsewhere; null for a fresh start.
 */
export async function restoredState(link: Connection, tab: string, facts: CaseFacts): Promise<SavedState | null> {
  const mirrored = readStored("sessionStorage", mirror());
  if (mirrored) {
    const kept = fitting(JSON.parse(mirrored), facts);
    if (kept) return kept;
  }
  if (startRequested(facts)) return null;
  const answered = await link.ask({ ask: "recall", tab }).catch(() => null);
  const kept = fitting(answered?.answer.state, facts);
  // the page shows the case's warnings: one of them, for as long as it is open
  if (kept && answered?.answer.note) facts.warnings.unshift(answered.answer.note);
  // another sitting: the level is to be confirmed anew
  return kept && { ...kept, confirmed: {} };
}

/** What was kept, if it is of this case as far as is known. */
function fitting(kept: unknown, facts: CaseFacts): SavedState | null {
  if (!fits(savedState, kept)) return null;
  const level = facts.levels.find((one) => one.name === kept.plan.level);
  return level?.sides.includes(kept.plan.side) ? kept : null;
}

const KEPT_KEYS = ["plan", "name", "task", "confirmed", "looks", "pins", "blind"] as const;

export function startAutosave(store: Store, link: Connection, tab: string): void {
  let timer = 0;
  let unkept = false;
  const keep = () => {
    clearTimeout(timer);
    if (!unkept || !link.up) return;
    unkept = false;
    link.ask({ ask: "keep", tab, state: store.kept() }).catch((why: unknown) => {
      unkept = true;
      // such as a case that has been deleted under the page
      if (why instanceof RequestFailed) store.set({ problem: `Not kept in the case: ${why.message}` });
    });
  };
  const later = () => {
    clearTimeout(timer);
    timer = setTimeout(() => {
      writeStored("sessionStorage", mirror(), JSON.stringify(store.kept()));
      keep();
    }, KEEP_MS);
  };
  store.subscribe((state, changed) => {
    if (KEPT_KEYS.some((key) => changed.has(key))) {
      unkept = true;
      later();
    } else if (changed.has("link") && state.link === "up") keep();
  });
  window.addEventListener("pagehide", () => {
    writeStored("sessionStorage", mirror(), JSON.stringify(store.kept()));
    keep();
  });
}
