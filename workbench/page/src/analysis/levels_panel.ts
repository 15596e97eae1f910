// The panel of the whole spine: every level from the side and in section, what is planned of several, and a level to open.

import type { Context, PanelPart } from "../session/context";
import { written } from "../dom/data_table";
import { button, h } from "../dom/elements";
import { numbersShown } from "../model/store";
import type { AnswerTo } from "../protocol/answers";
import type { LevelOverview } from "../protocol/case_facts";
import { startPlan } from "../session/initial_plan";

type Overview = AnswerTo<"overview">;

const SAC_WORDS: Record<string, string> = { modelled: "modelled from the canal", measured: "measured", given: "given" };

/** Width of the spine from the side, and between the middles of its buttons at least, px. */
const [SIDE_PX, LEAST_APART_PX] = [300, 28];

/** After every level with a rank. */
const UNRANKED = 99;

export const levelsPanel: PanelPart = (root, context, isOpen) => {
  const { store } = context;
  const frame = h(
    "div",
    { class: "levels-frame" },
    h("p", { class: "quiet", role: "status" }, "The overview is being drawn."),
  );
  root.append(frame);
  let found: Overview | null = null;
  let requested = false;
  let drawn = "";

  async function ask(): Promise<void> {
    requested = true;
    const answered = await context.ask({ ask: "overview" }, { lane: "overview" });
    found = answered?.answer ?? null;
    requested = found !== null;
    follow();
  }

  function follow(): void {
    const { state } = store;
    if (!isOpen(state)) return;
    if (!requested) void ask();
    const now = `${state.plan.level} ${numbersShown(state)} ${found !== null}`;
    if (!found || now === drawn) return;
    drawn = now;
    frame.replaceChildren(...overview(context, found));
  }

  store.subscribe((_, changed) => {
    if ((["plan", "looks", "confirmed", "blind", "link"] as const).some((key) => changed.has(key))) follow();
  });
  follow();
};

function overview(context: Context, found: Overview): HTMLElement[] {
  const { facts } = context.store.state;
  const several = numbersShown(context.store.state) ? found.several : [];
  const sac = SAC_WORDS[found.sac] ?? found.sac;
  const words = h(
    "div",
    { class: "levels-words" },
    h("p", {}, written(found.proposal)),
    h(
      "p",
      { class: "quiet" },
      `Sac (blue): ${sac}. Sections are seen from the feet, dorsal up, the patient's left on the left. `,
      "A proposal from the image alone: symptoms and examination decide.",
    ),
    ...several.map((sentence) => h("p", {}, written(sentence))),
    facts.cohort ? cohortLink(context) : null,
  );
  const ranked = [...found.levels].sort((a, b) => (a.rank ?? UNRANKED) - (b.rank ?? UNRANKED));
  const cards = h("div", { class: "level-cards" }, ...ranked.map((one) => card(context, one)));
  return [...(found.side ? [fromTheSide(context, found.side)] : []), h("div", {}, words, cards)];
}

/** The spine with a button at each level. */
function fromTheSide(context: Context, { png, width, height, at }: NonNullable<Overview["side"]>): HTMLElement {
  let above = -Infinity;
  const marks = Object.entries(at).map(([name, down]) => {
    const mark = button(name, () => open(context, name), { "aria-label": `Open ${name}`, ...pressed(context, name) });
    // neighbours that lie close keep apart
    above = Math.max(100 * down, above + (100 * LEAST_APART_PX) / ((SIDE_PX * height) / width));
    mark.style.top = `${above}%`;
    return mark;
  });
  const image = h("img", { src: png, width, height, alt: "The spine from the side, front on the left" });
  const letters = (["A", "P"] as const).map((letter) => h("span", { class: `side-letter side-${letter}` }, letter));
  return h("figure", { class: "spine-side" }, image, ...letters, ...marks);
}

function card(context: Context, { name, section, words, rank, reasons, planned, plan }: LevelOverview): HTMLElement {
  const [side, freed, areas, bone, facets, broken] = numbersShown(context.store.state) ? planned : [];
  return h(
    "article",
    { class: "level-card", "aria-label": name },
    section ? h("img", { src: section, alt: `${name} in section where the sac is narrowest` }) : null,
    h(
      "h3",
      {},
      name,
      rank === null ? "" : h("span", { class: "quiet" }, ` ${rank === 1 ? "narrowest" : `no. ${rank} by area`}`),
    ),
    h("p", {}, words),
    reasons.length
      ? h("details", {}, h("summary", {}, "why"), ...reasons.map((each) => h("p", {}, written(each))))
      : null,
    side
      ? h(
          "p",
          {},
          `Planned with the others: from the ${side}, freed ${freed}; free canal before, needed, after ${areas}; `,
          `bone ${bone}; facet kept left, right ${facets}; limits broken: ${broken}.`,
        )
      : null,
    h(
      "div",
      { class: "level-buttons" },
      button(`Open ${name}`, () => open(context, name), pressed(context, name)),
      side
        ? button("Open its plan of several", () => void openPlan(context, plan), { "aria-label": `Open ${plan}` })
        : null,
    ),
  );
}

const pressed = ({ store }: Context, name: string) => ({ "aria-pressed": String(store.state.plan.level === name) });

function open(context: Context, level: string): void {
  if (level !== context.store.state.plan.level) void startPlan(context, { level });
}

async function openPlan(context: Context, name: string): Promise<void> {
  const answered = await context.ask({ ask: "open", name }, { lane: "open" });
  if (!answered) return;
  context.store.choose(answered.answer.plan);
  context.store.set({ name: answered.answer.name });
}

function cohortLink(context: Context): HTMLElement {
  const link = h("p", { class: "made", "aria-live": "polite" });
  const ask = async () => {
    const answered = await context.ask({ ask: "cohort" }, { lane: "cohort" });
    if (!answered) return;
    const { url } = answered.answer;
    link.replaceChildren(
      h("a", { href: url, target: "_blank", rel: "noopener" }, "Open the summary in a window of its own"),
    );
    window.open(url, "_blank", "noopener");
  };
  return h(
    "div",
    {},
    button("Summary of this case's cohort", () => void ask()),
    link,
  );
}
