// Autosave: what the page shows is kept in the case, and mirrored in the tab, so that neither a reload nor a server that
// has died loses anything. Each tab keeps its own.

import { startAsked } from "./begin";
import { type Link, Refused } from "./link";
import type { CaseFacts, Plan } from "./protocol";
import type { Store } from "./store";
import { putAway, stored } from "./stored";

/** After the last change, ms. */
const KEEP_MS = 1000;

/** How long another tab has to say that a name is its own, ms. */
const CLAIM_MS = 60;

const TAB = "canalwise-tab";
const LETTERS = "abcdefghijklmnopqrstuvwxyz0123456789";

/** The page's address holds the run's token: what another run mirrored is not taken for this one's. */
const mirror = (): string => `canalwise-kept:${location.pathname}`;

export type Kept = Parameters<Store["restore"]>[0] & { plan: Plan };

const freshTab = (): string =>
  Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) => LETTERS[byte % LETTERS.length]).join("");

/** This tab's name; a tab that was duplicated with its storage gets one of its own. */
export async function tabName(): Promise<string> {
  const known = stored("sessionStorage", TAB);
  const tab = known && !(await claimed(known)) ? known : freshTab();
  putAway("sessionStorage", TAB, tab);
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
 * What was kept: this tab's mirror, which is the newest there is, else what the case holds unless the command line asked
 * to start elsewhere; null for a fresh start.
 */
export async function recalled(link: Link, tab: string, facts: CaseFacts): Promise<Kept | null> {
  const mirrored = stored("sessionStorage", mirror());
  if (mirrored) {
    const kept = fitting(JSON.parse(mirrored), facts);
    if (kept) return kept;
  }
  if (startAsked(facts)) return null;
  const answered = await link.ask<{ state: unknown }>({ ask: "recall", tab }).catch(() => null);
  const kept = fitting(answered?.answer.state, facts);
  // another sitting: the level is to be confirmed anew
  return kept && { ...kept, confirmed: {} };
}

/** What was kept, if it is of this case as far as can be told. */
function fitting(kept: unknown, facts: CaseFacts): Kept | null {
  const plan = (kept as Partial<Kept> | null | undefined)?.plan;
  const level = facts.levels.find((one) => one.name === plan?.level);
  return plan && level?.sides.includes(plan.side) ? (kept as Kept) : null;
}

const KEPT_KEYS = ["plan", "name", "task", "confirmed", "looks", "pins", "blind"] as const;

export function keeping(store: Store, link: Link, tab: string): void {
  let timer = 0;
  let unkept = false;
  const keep = () => {
    clearTimeout(timer);
    if (!unkept || !link.up) return;
    unkept = false;
    link.ask({ ask: "keep", tab, state: store.kept() }).catch((why: unknown) => {
      unkept = true;
      // such as a case that has been deleted under the page
      if (why instanceof Refused) store.set({ problem: `Not kept in the case: ${why.message}` });
    });
  };
  const later = () => {
    clearTimeout(timer);
    timer = setTimeout(() => {
      putAway("sessionStorage", mirror(), JSON.stringify(store.kept()));
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
    putAway("sessionStorage", mirror(), JSON.stringify(store.kept()));
    keep();
  });
}
