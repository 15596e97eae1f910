// Opens the case, lays the first plan out, and mounts every part of the page.

import { bench, benchHook } from "./bench";
import { firstStart } from "./begin";
import { charts } from "./charts";
import { compare } from "./compare";
import { confirming } from "./confirm";
import { controls } from "./controls";
import { Desk, type Part } from "./desk";
import { button, h } from "./elements";
import { Estimating } from "./estimating";
import { helping } from "./help";
import "./hook";
import { type Kept, keeping, recalled, tabName } from "./keep";
import { listen, type Shortcut, shortcutsOf } from "./keys";
import { lesson } from "./lesson";
import { Link } from "./link";
import { notices } from "./notices";
import { numbers } from "./numbers";
import { Plans } from "./plans";
import { SHOWN_AT_FIRST } from "./palette";
import type { CaseFacts, Plan } from "./protocol";
import { scope, scopeHook } from "./scope";
import { pastOf } from "./scope_view";
import { search } from "./search";
import { sheet } from "./sheet";
import { slices, slicesHook } from "./slices";
import { type Looks, type State, Store } from "./store";
import { tabs } from "./tabs";
import { followTheme } from "./theme";
import { top } from "./top";

const region = (id: string): HTMLElement => {
  const found = document.getElementById(id);
  if (!found) throw new Error(`the page has no #${id}`);
  return found;
};

const looksOf = (facts: CaseFacts): Looks => ({
  theme: "dark",
  turned: "theatre",
  grey_window: facts.grey_window,
  phase: 0,
  scope_past_mm: pastOf(0),
  scope_view_deg: 80,
  scope_turn_deg: 0,
  shown: SHOWN_AT_FIRST,
  panel: "slices",
});

function stateOf(facts: CaseFacts, plan: Plan): State {
  return {
    facts, plan, name: "", task: facts.tasks, confirmed: {}, moving: false, answer: null, fresh: false, removal: null,
    looks: looksOf(facts), pins: [], blind: false, link: "up", problem: "",
  };
}

/** Connects; gives the link once it is up. Later changes are told to `changed`. */
function connected(changed: (up: boolean) => void): Promise<Link> {
  const url = new URL("socket", document.baseURI);
  url.protocol = url.protocol === "https:" ? "wss:" : "ws:";
  return new Promise((resolve) => {
    const link: Link = new Link(url.href, (up) => {
      changed(up);
      if (up) resolve(link);
    });
  });
}

async function caseFacts(): Promise<CaseFacts> {
  const response = await fetch("case.json");
  if (!response.ok) throw new Error(`The server answered ${response.status} when asked for the case.`);
  return (await response.json()) as CaseFacts;
}

/** The plan that the command line named, else the usual start. */
async function firstPlan(link: Link, facts: CaseFacts): Promise<{ plan: Plan; name: string }> {
  const start = firstStart(facts);
  if (!start) throw new Error("This case shows no level that can be docked on. Build it again with more of the spine in view.");
  if (facts.start.plan) {
    return (await link.ask<{ name: string; plan: Plan }>({ ask: "open", name: facts.start.plan })).answer;
  }
  return { plan: (await link.ask<{ plan: Plan }>({ ask: "start", ...start })).answer.plan, name: "" };
}

async function open(): Promise<void> {
  let store: Store | null = null;
  const facts = await caseFacts();
  const link = await connected((up) => store?.set({ link: up ? "up" : "down" }));
  const tab = await tabName();
  const kept = await recalled(link, tab, facts);
  const first = kept ?? (await firstPlan(link, facts));
  store = new Store({ ...stateOf(facts, first.plan), name: first.name ?? "" });
  if (kept) restore(store, kept, facts);
  mount(new Desk(store, link));
  keeping(store, link, tab);
}

function restore(store: Store, kept: Kept, facts: CaseFacts): void {
  const looks = { ...looksOf(facts), ...kept.looks };
  store.restore({ ...kept, looks });
}

function mount(desk: Desk): void {
  const { store, link } = desk;
  window.rehearsal = { store, link, bench: benchHook, scope: scopeHook, slices: slicesHook };
  followTheme(store);
  const [plans, confirm] = [new Plans(desk), confirming(desk)];
  const help = helping(() => shortcuts);
  const shortcuts: Shortcut[] = shortcutsOf(desk, { save: () => plans.save(), help });
  top(region("top"), desk, { confirm, plans, help });
  region("foot").replaceChildren(h("p", {}, store.state.facts.caution));
  // first of all that follow the plan: its question is on its way before anything is drawn
  const estimating = new Estimating(desk);
  const panels = tabs(region("tabs"), desk);
  const parts: readonly (readonly [HTMLElement, Part])[] = [
    [region("notices"), notices], [region("controls"), controls], [region("numbers"), numbers],
    [region("bench"), bench], [region("scope"), scope], [panels.slices, slices], [panels.charts, charts],
    [panels.search, search], [panels.compare, compare], [panels.lesson, lesson], [panels.sheet, sheet],
  ];
  for (const [root, part] of parts) mountPart(root, part, desk);
  listen(shortcuts);
  estimating.start();
  region("main").removeAttribute("aria-busy");
  if (!store.state.confirmed[store.state.plan.level]) confirm.ask();
}

/** One part that fails leaves the others standing. */
function mountPart(root: HTMLElement, part: Part, desk: Desk): void {
  try {
    part(root, desk);
  } catch (why) {
    console.error(why);
    root.append(h("p", { class: "failed" }, "! This part of the page could not be shown; the others go on."));
  }
}

open().catch((why: unknown) => {
  console.error(why);
  const words = why instanceof Error ? why.message : String(why);
  region("notices").replaceChildren(
    h("div", { class: "notice problem", role: "alert" }, h("span", {}, `! The case could not be opened. ${words}`),
      button("Try again", () => location.reload())),
  );
});
