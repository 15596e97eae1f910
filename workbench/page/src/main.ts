// The page's entry: opens the case, gets the first plan, and mounts every part.

import { scenePanel } from "./views/scene_panel";
import { sceneHandle } from "./views/scene_view";
import { firstStart } from "./session/initial_plan";
import { levelConfirmation } from "./shell/level_confirmation";
import { controlsPanel } from "./panels/controls_panel";
import { Context, type Part } from "./session/context";
import { button, h } from "./dom/elements";
import { EstimateSync } from "./session/estimate_sync";
import { keyHelp } from "./shell/key_help";
import "./test_hook";
import { type SavedState, startAutosave, restoredState, tabName } from "./session/autosave";
import { listen, shortcutsOf } from "./shell/shortcuts";
import { Connection } from "./session/connection";
import { notices } from "./shell/notices";
import { numbersPanel } from "./panels/numbers_panel";
import { verdictBar } from "./panels/verdict_bar";
import { SavedPlans } from "./shell/saved_plans";
import { SHOWN_AT_FIRST } from "./pictures/palette";
import { caseFacts, type CaseFacts } from "./protocol/case_facts";
import type { Plan } from "./protocol/plan";
import { checked } from "./protocol/validation";
import { endoscopePanel } from "./views/endoscope_panel";
import { playBar } from "./play/play_bar";
import { endoscopeHandle, pastOf } from "./views/endoscope_view";
import { slicesHandle } from "./slices/slices_panel";
import { isConfirmed, type ViewSettings, type State, Store } from "./model/store";
import { panelsOf } from "./shell/panel_registry";
import { tabs } from "./shell/tabs";
import { followTheme } from "./dom/theme";
import { header } from "./shell/header";

const region = (id: string): HTMLElement => {
  const found = document.getElementById(id);
  if (!found) throw new Error(`the page has no #${id}`);
  return found;
};

const looksOf = (facts: CaseFacts): ViewSettings => ({
  theme: "dark",
  turned: "theatre",
  grey_window: facts.grey_window,
  phase: 0,
  scope_past_mm: pastOf(0),
  scope_view_deg: 80,
  scope_turn_deg: 0,
  shown: SHOWN_AT_FIRST,
  clip: "",
  clip_mm: 0,
  bone_opacity: 1,
  panel: panelsOf(facts)[0]?.id ?? "",
});

function stateOf(facts: CaseFacts, plan: Plan): State {
  return {
    facts,
    plan,
    name: "",
    task: facts.tasks,
    confirmed: {},
    moving: false,
    answer: null,
    fresh: false,
    executions: null,
    removal: null,
    looks: looksOf(facts),
    pins: [],
    measurement: null,
    blind: false,
    link: "up",
    problem: "",
  };
}

/** Connects; gives the link once it is up. Later changes are reported to `changed`. */
function connected(changed: (up: boolean) => void): Promise<Connection> {
  const url = new URL("socket", document.baseURI);
  url.protocol = url.protocol === "https:" ? "wss:" : "ws:";
  return new Promise((resolve) => {
    const link: Connection = new Connection(url.href, (up) => {
      changed(up);
      if (up) resolve(link);
    });
  });
}

async function fetchedFacts(): Promise<CaseFacts> {
  const response = await fetch("case.json");
  if (!response.ok) throw new Error(`The server answered ${response.status} to the request for the case.`);
  return checked(caseFacts, await response.json(), "The case");
}

/** The plan that the command line named, else the usual start. */
async function firstPlan(link: Connection, facts: CaseFacts): Promise<{ plan: Plan; name: string }> {
  const start = firstStart(facts);
  if (!start)
    throw new Error("This case shows no level that can be docked on. Build it again with more of the spine in view.");
  if (facts.start.plan) {
    return (await link.ask({ ask: "open", name: facts.start.plan })).answer;
  }
  return { plan: (await link.ask({ ask: "start", ...start })).answer.plan, name: "" };
}

async function open(): Promise<void> {
  let store: Store | null = null;
  const facts = await fetchedFacts();
  const link = await connected((up) => store?.set({ link: up ? "up" : "down" }));
  const tab = await tabName();
  const kept = await restoredState(link, tab, facts);
  const first = kept ?? (await firstPlan(link, facts));
  store = new Store({ ...stateOf(facts, first.plan), name: first.name ?? "" });
  if (kept) restore(store, kept, facts);
  mount(new Context(store, link));
  startAutosave(store, link, tab);
}

function restore(store: Store, kept: SavedState, facts: CaseFacts): void {
  const usual = looksOf(facts);
  const looks = { ...usual, ...kept.looks };
  // such as the audit of a case that was built anew since
  if (!panelsOf(facts).some(({ id }) => id === looks.panel)) looks.panel = usual.panel;
  store.restore({ ...kept, looks });
}

function mount(context: Context): void {
  const { store, link } = context;
  window.rehearsal = { store, link, bench: sceneHandle, scope: endoscopeHandle, slices: slicesHandle };
  followTheme(store);
  const [plans, confirm] = [new SavedPlans(context), levelConfirmation(context)];
  const records = panelsOf(store.state.facts);
  const shortcuts = shortcutsOf(context, { save: () => plans.save(), help: () => help() }, records);
  const help = keyHelp(shortcuts);
  header(region("top"), context, { confirm, plans, help });
  region("foot").replaceChildren(h("p", {}, store.state.facts.caution));
  // first of all that follow the plan: its request is sent before anything is drawn
  const estimates = new EstimateSync(context);
  const panels = tabs(region("strip"), region("tabs"), context, records);
  const parts: readonly (readonly [HTMLElement, Part])[] = [
    [region("outcome-bar"), verdictBar],
    [region("notices"), notices],
    [region("controls"), controlsPanel],
    [region("numbers"), numbersPanel],
    [region("bench"), scenePanel],
    [region("bench"), playBar],
    [region("scope"), endoscopePanel],
  ];
  for (const [root, part] of parts) mountPart(root, () => part(root, context));
  records.forEach(({ id, build }, place) => {
    const root = panels[place];
    if (root) mountPart(root, () => build(root, context, ({ looks }) => looks.panel === id));
  });
  listen(shortcuts);
  estimates.start();
  region("main").removeAttribute("aria-busy");
  if (!isConfirmed(store.state)) confirm.ask();
}

/** One part that fails leaves the others standing. */
function mountPart(root: HTMLElement, build: () => void): void {
  try {
    build();
  } catch (why) {
    console.error(why);
    root.append(h("p", { class: "failed" }, "! This part of the page could not be shown; the others go on."));
  }
}

open().catch((why: unknown) => {
  console.error(why);
  const words = why instanceof Error ? why.message : String(why);
  region("notices").replaceChildren(
    h(
      "div",
      { class: "notice problem", role: "alert" },
      h("span", {}, `! The case could not be opened. ${words}`),
      button("Try again", () => location.reload()),
    ),
  );
});
