// The headline numbers as tiles, legible at arm's length, each with its interval and limit.

import { freedWords } from "../model/freed_words";
import { sceneHandle } from "../views/scene_view";
import { button, h, setText } from "../dom/elements";
import { otherSide } from "../model/store";
import type { Estimate, EstimateAnswer, FacetKept, Verdict } from "../protocol/estimate";
import { RELATIONS, type Relation } from "../protocol/plan";
import { breaches, hasIntervals, stands } from "../model/estimate_rows";
import {
  amount,
  chanceWords,
  cranialWords,
  interval,
  joined,
  lateralWords,
  limitWords,
  number,
  percent,
} from "../model/number_format";

/** More limits than this are counted at the head, and named in the table below. */
const FEW = 2;

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
  show(answer: EstimateAnswer): void;
}

export function headlineTiles(): HeadlineTiles {
  const verdict = h("p", { id: "verdict" });
  const [bone, sweep] = [figure("bone", "Bone to remove, task"), figure("sweep", "Bone, whole sweep")];
  const facets = facetTile();
  const reach = reachTile();
  const [pars, bridge] = [figure("pars", "Pars, least width"), figure("bridge", "Spinous bridge")];
  const [area, skin] = [figure("area", "Free canal, at disc"), figure("skin", "Skin entry")];
  const chances = figure("chances", "All limits kept", false);
  const wanted = figure("wanted", "Recesses reached", false);
  const element = h(
    "div",
    { class: "tiles" },
    verdict,
    ...[bone, sweep, facets, reach, pars, bridge, area, skin, chances, wanted].map((tile) => tile.element),
  );
  return {
    element,
    show(answer) {
      const { estimate } = answer;
      showVerdict(verdict, estimate);
      showBone(bone, sweep, estimate);
      facets.show(estimate);
      reach.show(answer);
      showPars(pars, estimate);
      showBridge(bridge, estimate);
      showArea(area, estimate);
      showSkin(skin, estimate);
      showChances(chances, wanted, estimate);
    },
  };
}

const between = (estimate: Estimate, words: string): string =>
  words ? `(${words})` : hasIntervals(estimate) ? "" : WAITING;

const verdictNamed = (estimate: Estimate, name: string): Verdict | undefined =>
  estimate.verdicts.find((verdict) => verdict.name === name);

const limitOf = (verdict: Verdict | undefined): string =>
  verdict ? `limit ${amount(verdict.limit, verdict.unit)}: ${stands(verdict)}` : "";

export function verdictWords(estimate: Estimate): string {
  const broken = breaches(estimate);
  const unknown = estimate.verdicts.filter((one) => one.met === null).map((one) => one.name);
  const near = estimate.verdicts.filter((one) => one.within_error).map((one) => one.name);
  const said =
    freedWords(estimate.verdict) + (broken.length ? `Limits BREACHED: ${joined(broken)}.` : "All limits kept.");
  const close = near.length > FEW ? `${near.length} of ${estimate.verdicts.length}` : joined(near);
  return (
    said +
    (near.length ? ` Within error of the limit: ${close}.` : "") +
    (unknown.length ? ` Not measured: ${joined(unknown)}.` : "")
  );
}

function showVerdict(element: HTMLElement, estimate: Estimate): void {
  const broken = breaches(estimate).length > 0 || estimate.verdict?.freed === false;
  setText(element, (broken ? "! " : "") + verdictWords(estimate));
  element.classList.toggle("breached", broken);
}

function showBone(least: Tile, most: Tile, estimate: Estimate): void {
  const { task, cone } = estimate;
  for (const [tile, removed] of [
    [least, task],
    [most, cone],
  ] as const) {
    const { total, interval95 } = removed.bone_removed_mm3;
    tile.show(`${number(total, 0)} mm\u00b3`, between(estimate, interval(interval95)), "");
  }
}

/** Both joints, surface and width, under the whole sweep, which the limit is held against; the task's beside it in words. */
function facetTile() {
  const rows = RELATIONS.map((relation) => facetRow(relation));
  const head = h("tr", {}, h("td", {}), h("th", { scope: "col" }, "surface"), h("th", { scope: "col" }, "width"));
  const element = h(
    "div",
    { class: "tile wide", id: "tile-facets" },
    h("h3", {}, "Facet joint kept, whole sweep"),
    h(
      "table",
      { class: "facets" },
      h("caption", { class: "unseen" }, "Facet joint kept after the whole sweep"),
      h("thead", {}, head),
      h("tbody", {}, ...rows.map((row) => row.element)),
    ),
  );
  return { element, show: (estimate: Estimate) => rows.forEach((row) => row.show(estimate)) };
}

function facetRow(relation: Relation) {
  const [where, how] = [h("span", { class: "where-side" }), h("span", { class: "note" })];
  const cells = (["area", "width"] as const).map((share) => {
    const [value, ends] = [measure(), h("span", { class: "ends" })];
    return { share, value, ends, cell: h("td", {}, value.element, h("br"), ends) };
  });
  const element = h("tr", {}, h("th", { scope: "row" }, where, how), ...cells.map(({ cell }) => cell));
  return {
    element,
    show(estimate: Estimate): void {
      const facet = estimate.facet_preserved[relation];
      const side = relation === "ipsilateral" ? estimate.side : otherSide(estimate.side);
      const verdicts = cells.map(({ share }) => verdictNamed(estimate, `${relation} facet ${share} kept`));
      setText(where, `${relation} (${side})`);
      setText(how, facet ? worstOf(verdicts) : "no joint in view");
      cells.forEach(({ share, value, ends, cell }, index) => {
        value.show(percent(facet?.[`${share}_frac`]));
        setText(ends, facet ? between(estimate, interval(endsOf(facet, share), 0, 100)) : "");
        cell.classList.toggle("breached", verdicts[index]?.met === false);
      });
    },
  };
}

const endsOf = (facet: FacetKept, share: "area" | "width") =>
  share === "area" ? facet.interval95 : facet.width_interval95;

/** The worse of a joint's two verdicts, in words. */
function worstOf(verdicts: (Verdict | undefined)[]): string {
  const told = verdicts.filter((verdict) => verdict !== undefined);
  return limitOf(told.find((one) => one.met === false) ?? told.find((one) => one.within_error) ?? told[0]);
}

function reachTile() {
  const tile = figure("reach", "Reach past the midline", true);
  let point: EstimateAnswer["blocker"] = null;
  const show = button("Show where", () => point && sceneHandle.focus(point.point_mm), { id: "show-blocker" });
  tile.element.append(show);
  return {
    element: tile.element,
    show({ estimate, blocker }: EstimateAnswer): void {
      const reach = estimate.contralateral_reach;
      point = blocker;
      show.hidden = !blocker;
      if (!reach) {
        tile.show("not known", "", "no targets in view on the far side");
        return;
      }
      const recess = reach.targets["lateral recess"];
      const stops = blocker ? `${limitWords(reach.limited_by)}. ${blocker.words}` : limitWords(reach.limited_by);
      tile.show(
        amount(reach.lateral_mm, "mm"),
        between(estimate, interval(reach.interval95, 1)),
        `far recess ${recess === undefined ? "not known" : `${percent(recess)} touched`}; ${stops} ${sacWords(estimate)}`,
      );
    },
  };
}

function showPars(tile: Tile, estimate: Estimate): void {
  const left = estimate.pars_residual_mm;
  const verdicts = RELATIONS.map((relation) => verdictNamed(estimate, `${relation} pars width left`));
  const worse = (left.contralateral ?? Infinity) < (left.ipsilateral ?? Infinity) ? "contralateral" : "ipsilateral";
  tile.show(
    amount(left[worse], "mm"),
    between(estimate, interval(left.interval95[worse], 1)),
    `${worse}; ${worstOf(verdicts)}${verdicts.some(thinBefore) ? "; thin before, nothing taken of it" : ""}`,
    verdicts.some((verdict) => verdict?.met === false),
  );
}

/** Less than its limit and yet kept: the patient's own, of which the plan takes nothing. */
const thinBefore = (verdict: Verdict | undefined): boolean =>
  verdict?.met === true && verdict.value !== null && verdict.value < verdict.limit;

function showBridge(tile: Tile, estimate: Estimate): void {
  const { bridge_mm, bridge_interval95, undercut_frac } = estimate.spinous_base;
  const bridge = verdictNamed(estimate, "spinous base bridge left");
  const undercut = verdictNamed(estimate, "spinous base undercut");
  tile.show(
    amount(bridge_mm, "mm"),
    between(estimate, interval(bridge_interval95, 1)),
    `undercut ${percent(undercut_frac)}; ${worstOf([bridge, undercut])}`,
    bridge?.met === false || undercut?.met === false,
  );
}

function showArea(tile: Tile, estimate: Estimate): void {
  const { before, after, interval95 } = estimate.decompression.canal_area_mm2;
  tile.show(
    `${number(before, 0)} \u2192 ${number(after, 0)}`,
    "mm\u00b2",
    `after ${between(estimate, interval(interval95.after))}: an upper bound ${sacWords(estimate)}`,
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

function showChances(limits: Tile, wanted: Tile, estimate: Estimate): void {
  const { chances: told } = estimate;
  const known = told.all_limits !== null;
  limits.show(
    known ? chanceWords(told.all_limits) : WAITING,
    "",
    known ? `chance, from ${estimate.samples} samples` : "",
  );
  wanted.show(
    known ? chanceWords(told.all_targets) : WAITING,
    "",
    known ? `chance; with all limits kept ${chanceWords(told.all)}` : "",
  );
  wanted.element.title = known ? `at least ${percent(told.enough_frac)} touched of ${joined(told.wanted)}` : "";
}

/** The numbers in one breath, for those who listen. */
export function summary(estimate: Estimate): string {
  const reach = estimate.contralateral_reach;
  const far = reach ? `Reach ${amount(reach.lateral_mm, "mm")}, ${limitWords(reach.limited_by)}.` : "";
  return `Bone to remove ${number(estimate.task.bone_removed_mm3.total, 0)} cubic millimetres. ${verdictWords(estimate)} ${far}`.trim();
}
