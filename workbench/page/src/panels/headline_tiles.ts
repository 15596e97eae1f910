// The headline numbers as tiles, legible at arm's length, each with its interval and limit. What the resection takes,
// frees and keeps stands first; during a drag it stays, greyed, and the numbers of the sweep follow the drag.

import { areaWords, freedWords, limitsOf, outcomeChance } from "../model/freed_words";
import { sceneHandle } from "../views/scene_view";
import { button, h, setText } from "../dom/elements";
import { otherSide } from "../model/store";
import type { Estimate, EstimateAnswer, Verdict } from "../protocol/estimate";
import { RELATIONS, type Interval95, type MaybeNumber, type Relation } from "../protocol/plan";
import { hasIntervals, stands } from "../model/estimate_rows";
import {
  amount,
  cranialWords,
  interval,
  joined,
  lateralWords,
  limitWords,
  number,
  percent,
} from "../model/number_format";

/** Stands where an interval is still being worked out. */
const WAITING = "(\u2026)";

interface Tile {
  element: HTMLElement;
  show(value: string, ends: string, note: string, breached?: boolean): void;
}

/** A number set large, with its unit after it. */
function measure() {
  const [figures, unit] = [h("span", {}), h("span", { class: "value-unit" })];
  return {
    element: h("span", { class: "value" }, figures, unit),
    show(text: string): void {
      const [, first = text, last = ""] = /^(.*\d)( [^\d ]+)$/.exec(text) ?? [];
      setText(figures, first);
      setText(unit, last);
    },
  };
}

/** One number with its interval and a remark. */
function figure(id: string, heading: string, wide = false): Tile {
  const [value, ends, note] = [measure(), h("span", { class: "ends" }), h("p", { class: "note" })];
  const element = h(
    "div",
    { class: wide ? "tile wide" : "tile", id: `tile-${id}` },
    h("h3", {}, heading),
    h("p", { class: "big" }, value.element, " ", ends),
    note,
  );
  return {
    element,
    show(text, between, remark, breached = false) {
      value.show(text);
      setText(ends, between);
      setText(note, remark);
      element.classList.toggle("breached", breached);
    },
  };
}

export interface HeadlineTiles {
  element: HTMLElement;
  show(answer: EstimateAnswer, fresh: boolean): void;
}

export function headlineTiles(): HeadlineTiles {
  const freed = freedTile();
  const [bone, area] = [figure("bone", "Bone to remove"), figure("area", "Free canal, narrowest")];
  const [facets, reach] = [facetTile(), reachTile()];
  const [pars, bridge] = [figure("pars", "Pars, least width remaining"), figure("bridge", "Spinous bridge remaining")];
  const [skin, sweep] = [figure("skin", "Skin entry"), figure("sweep", "Bone in the sweep")];
  const outcome = h(
    "div",
    { class: "tiles outcome-tiles" },
    ...[freed, facets, bone, area, reach, pars, bridge].map((tile) => tile.element),
  );
  const element = h("div", {}, outcome, h("div", { class: "tiles" }, skin.element, sweep.element));
  let last: EstimateAnswer | null = null;
  return {
    element,
    show(answer, fresh) {
      const { estimate } = answer;
      const judged = estimate.resection !== undefined;
      const same = last?.estimate.level === estimate.level && last.estimate.side === estimate.side;
      if (judged || !same) last = answer;
      const stale = !judged || !fresh;
      outcome.classList.toggle("stale", stale);
      outcome.setAttribute("aria-busy", String(stale));
      const judgedLast = last ?? answer;
      freed.show(judgedLast.estimate);
      showBone(bone, judgedLast.estimate);
      showArea(area, judgedLast.estimate);
      facets.show(judgedLast.estimate);
      reach.show(judgedLast);
      showPars(pars, judgedLast.estimate);
      showBridge(bridge, judgedLast.estimate);
      showSkin(skin, estimate);
      const swept = estimate.cone.bone_removed_mm3;
      const ends = between(estimate, interval(swept.interval95));
      sweep.show(`${number(swept.total, 0)} mm\u00b3`, ends, "if all bone in the cones of all phases were taken");
    },
  };
}

const between = (estimate: Estimate, words: string): string =>
  words ? `(${words})` : hasIntervals(estimate) ? "" : WAITING;

/** An interval in brackets where there is one. */
const ends = (interval95: Interval95 | undefined, digits = 0, scale = 1): string => {
  const words = interval(interval95 ?? null, digits, scale);
  return words ? `(${words})` : "";
};

/** How limits of the resection name a side of the approach. */
const SHORT: Record<Relation, string> = { ipsilateral: "near", contralateral: "far" };

/** A limit of one side: of the resection, or of the sweep where there is none. */
const sideVerdict = (estimate: Estimate, relation: Relation, name: string): Verdict | undefined =>
  verdictNamed(estimate, `${SHORT[relation]} ${name}`) ?? verdictNamed(estimate, `${relation} ${name}`);

const verdictNamed = (estimate: Estimate, name: string): Verdict | undefined =>
  limitsOf(estimate).find((verdict) => verdict.name === name);

const limitOf = (verdict: Verdict | undefined): string =>
  verdict ? `limit ${amount(verdict.limit, verdict.unit)}: ${stands(verdict)}` : "";

/** Both sides, each with the share of what presses that is taken, its root's room, and the ligament's insertions. */
function freedTile() {
  const figures = RELATIONS.map((relation) => {
    const [value, where] = [measure(), h("span", { class: "where-side" })];
    const between = h("span", { class: "ends" });
    const cell = h("div", {}, where, h("span", { class: "big" }, value.element, " ", between));
    return { relation, value, where, between, cell };
  });
  const note = h("p", { class: "note" });
  const element = h(
    "div",
    { class: "tile wide", id: "tile-freed" },
    h("h3", {}, "Freed of what presses"),
    h("div", { class: "pair" }, ...figures.map(({ cell }) => cell)),
    note,
  );
  return {
    element,
    show(estimate: Estimate): void {
      const { freed } = estimate;
      for (const { relation, value, where, between } of figures) {
        const side = relation === "ipsilateral" ? estimate.side : otherSide(estimate.side);
        setText(where, `${relation} (${side})`);
        value.show(percent(freed?.[relation]));
        setText(between, ends(freed?.interval95?.[relation], 0, 100));
      }
      setText(note, freed ? insertionWords(freed.insertions) : "not known at this level");
      element.classList.toggle("breached", estimate.verdict?.freed === false);
    },
  };
}

function insertionWords(insertions: Record<string, boolean>): string {
  const bound = Object.entries(insertions).filter(([, released]) => !released);
  return bound.length
    ? `! ligament's ${joined(bound.map(([end]) => end))} insertion NOT released`
    : "both insertions of the ligament released";
}

function showBone(tile: Tile, estimate: Estimate): void {
  const bone = estimate.resection?.bone_removed_mm3;
  const total = bone ?? estimate.task.bone_removed_mm3;
  tile.show(
    `${number(total.total, 0)} mm\u00b3`,
    ends(total.interval95),
    bone ? "the least that frees this much" : "task",
  );
}

function showArea(tile: Tile, estimate: Estimate): void {
  const least = estimate.freed?.least_area_mm2;
  const { before, after } = least ?? estimate.decompression.canal_area_mm2;
  const note = least
    ? `needed ${amount(least.needed, "mm2", 0)} ${sacWords(estimate)}`
    : `at disc ${sacWords(estimate)}`;
  const between = ends(least ? estimate.freed?.interval95?.least_area_after_mm2 : undefined);
  tile.show(`${number(before, 0)} \u2192 ${number(after, 0)} mm\u00b2`, between, note);
}

/** Both joints, surface and width, as the resection leaves them. */
function facetTile() {
  const rows = RELATIONS.map((relation) => facetRow(relation));
  const head = h("tr", {}, h("td", {}), h("th", { scope: "col" }, "surface"), h("th", { scope: "col" }, "width"));
  const element = h(
    "div",
    { class: "tile wide", id: "tile-facets" },
    h("h3", {}, "Facet joint kept"),
    h(
      "table",
      { class: "facets" },
      h("caption", { class: "unseen" }, "Facet joint kept"),
      h("thead", {}, head),
      h("tbody", {}, ...rows.map((row) => row.element)),
    ),
  );
  return { element, show: (estimate: Estimate) => rows.forEach((row) => row.show(estimate)) };
}

function facetRow(relation: Relation) {
  const [where, how] = [h("span", { class: "where-side" }), h("span", { class: "note" })];
  const cells = (["area", "width"] as const).map((share) => {
    const [value, between] = [measure(), h("span", { class: "ends" })];
    return { share, value, between, cell: h("td", {}, value.element, " ", between) };
  });
  const element = h("tr", {}, h("th", { scope: "row" }, where, how), ...cells.map(({ cell }) => cell));
  return {
    element,
    show(estimate: Estimate): void {
      const facet = (estimate.resection ?? estimate).facet_preserved[relation];
      const side = relation === "ipsilateral" ? estimate.side : otherSide(estimate.side);
      const verdicts = cells.map(({ share }) => sideVerdict(estimate, relation, `facet ${share} kept`));
      setText(where, `${relation} (${side})`);
      const unresolved = estimate.resection?.facet_unresolved?.[relation] ?? null;
      setText(how, facet ? worstOf(verdicts) : unresolved ? "not resolved by the scan" : "no joint in view");
      element.classList.toggle("unknown", !facet);
      element.title = unresolved ?? "";
      cells.forEach(({ share, value, between, cell }, index) => {
        value.show(percent(facet?.[`${share}_frac`]));
        setText(between, ends(share === "area" ? facet?.interval95 : facet?.width_interval95, 0, 100));
        cell.classList.toggle("breached", verdicts[index]?.met === false);
      });
    },
  };
}

/** The worse of several verdicts, in words. */
function worstOf(verdicts: (Verdict | undefined)[]): string {
  const known = verdicts.filter((verdict) => verdict !== undefined);
  return limitOf(known.find((one) => one.met === false) ?? known.find((one) => one.within_error) ?? known[0]);
}

function reachTile() {
  const tile = figure("reach", "Reach past the midline", true);
  let point: EstimateAnswer["blocker"] = null;
  const show = button("Show where", () => point && sceneHandle.focus(point.point_mm), { id: "show-blocker" });
  tile.element.append(show);
  return {
    element: tile.element,
    show({ estimate, blocker }: EstimateAnswer): void {
      const reach = estimate.resection?.contralateral_reach ?? estimate.contralateral_reach;
      point = blocker;
      show.hidden = !blocker;
      if (!reach) {
        tile.show("not known", "", "no targets in view on the contralateral side");
        return;
      }
      const stops = limitWords(reach.limited_by);
      tile.show(amount(reach.lateral_mm, "mm"), ends(reach.interval95, 1), `${stops} ${sacWords(estimate)}`);
    },
  };
}

function showPars(tile: Tile, estimate: Estimate): void {
  const width = (estimate.resection ?? estimate).pars_residual_mm;
  const verdicts = RELATIONS.map((relation) => sideVerdict(estimate, relation, "pars width remaining"));
  const worse = (width.contralateral ?? Infinity) < (width.ipsilateral ?? Infinity) ? "contralateral" : "ipsilateral";
  tile.show(
    amount(width[worse], "mm"),
    ends(width.interval95?.[worse], 1),
    `${worse}; ${worstOf(verdicts)}${thinBefore(width[worse], verdicts) ? "; thin before, nothing taken of it" : ""}`,
    verdicts.some((verdict) => verdict?.met === false),
  );
}

/** Less than its limit and yet kept: the patient's own, of which the plan takes nothing. */
const thinBefore = (width_mm: MaybeNumber, verdicts: (Verdict | undefined)[]): boolean =>
  width_mm !== null && verdicts.every((verdict) => verdict?.met !== false) && width_mm < (verdicts[0]?.limit ?? 0);

function showBridge(tile: Tile, estimate: Estimate): void {
  const { bridge_mm, undercut_frac, bridge_interval95 } = (estimate.resection ?? estimate).spinous_base;
  const bridge = verdictNamed(estimate, "spinous base bridge remaining");
  const undercut = verdictNamed(estimate, "spinous base undercut");
  tile.show(
    amount(bridge_mm, "mm"),
    ends(bridge_interval95, 1),
    `undercut ${percent(undercut_frac)}; ${worstOf([bridge, undercut])}`,
    bridge?.met === false || undercut?.met === false,
  );
}

/** Where the sac comes from stands beside every number that depends on it. */
const sacWords = (estimate: Estimate): string => `(sac ${estimate.sources["sac"] ?? "modelled"})`;

function showSkin(tile: Tile, estimate: Estimate): void {
  const entry = estimate.skin_entry;
  const upper = estimate.level.split("-")[0] ?? "";
  const [lateral, ...of] = lateralWords(entry.lateral_mm, estimate.side).split(" of ");
  tile.show(
    lateral ?? "",
    "",
    `of ${of.join(" of ")}, ${cranialWords(entry.cranial_mm, `the ${upper} lamina's lower edge`)}; ` +
      `${number(entry.depth_mm, 0)} mm deep${entry.at === "pivot" ? " (at the pivot: no skin in view)" : ""}`,
  );
}

/** The numbers in one breath, for those who listen. */
export function summary(estimate: Estimate): string {
  const reach = estimate.resection?.contralateral_reach ?? estimate.contralateral_reach;
  const far = reach ? `Reach ${amount(reach.lateral_mm, "mm")}, ${limitWords(reach.limited_by)}.` : "";
  const bone = estimate.resection?.bone_removed_mm3 ?? estimate.task.bone_removed_mm3;
  const area = areaWords(estimate.freed?.least_area_mm2);
  const parts = [freedWords(estimate.verdict), outcomeChance(estimate), area && `Free canal ${area}.`].filter(Boolean);
  return `${parts.join(" ")} Bone to remove ${number(bone.total, 0)} cubic millimetres. ${far}`.trim();
}
