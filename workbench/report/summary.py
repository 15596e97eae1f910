"""The head of the report: the numbers a surgeon looks at first, and whether the limits are kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from canalwise.recon.modality import MR_ALONE_HEAD
from canalwise.workbench.console.freed_tables import UNLIKELY, UNLIKELY_FRAC, chance_words
from canalwise.workbench.console.json_results import breaches, limits_of
from canalwise.workbench.style.phrases import amount, interval, joined, limit_words, number, percent

Json = Mapping[str, Any]
MM3, MM2 = "mm\u00b3", "mm\u00b2"

Tile = tuple[str, str, str]
"""(what, value, remark)."""


def glance(estimate: Json) -> list[Tile]:
    """The tiles at the head of the page."""
    kept = estimate.get("resection") or estimate
    joints = [
        _joint_tile(relation, kept["facet_preserved"].get(relation)) for relation in ("ipsilateral", "contralateral")
    ]
    return [
        *_freed_tiles(estimate),
        _area_tile(estimate),
        _bone_tile(estimate),
        *joints,
        _reach_tile(kept["contralateral_reach"]),
    ]


def from_mr_alone(estimate: Json) -> str:
    """What stands before all numbers of a case made from an MR alone; empty elsewhere.

    >>> from_mr_alone({"warnings": ["something else"]})
    ''
    """
    return next((sentence for sentence in estimate["warnings"] if sentence.startswith(MR_ALONE_HEAD)), "")


def _area_tile(estimate: Json) -> Tile:
    """Free area at the narrowest station; at disc level where the room needed is not known."""
    if estimate.get("freed"):
        least = estimate["freed"]["least_area_mm2"]
        change = f"{number(least['before'], 0)} \u2192 {amount(least['after'], 'mm2', 0)}"
        needed_ends = {"interval95": (estimate["freed"].get("interval95") or {}).get("least_area_after_mm2")}
        needed = f"{_ends(needed_ends, MM2, 0, 1.0)}needed: {amount(least['needed'], 'mm2', 0)}"
        return ("Free canal, narrowest", change, needed)
    areas = estimate["decompression"]["canal_area_mm2"]
    change = f"{number(areas['before'], 0)} \u2192 {amount(areas['after'], 'mm2', 0)}"
    return ("Free canal, disc level", change, "after: an upper bound")


def _bone_tile(estimate: Json) -> Tile:
    """Least bone that frees what is taken; that of the task where the room needed is not known."""
    rough = "rough, from MR alone; " if from_mr_alone(estimate) else ""
    sweep = f"in the whole sweep: {amount(estimate['cone']['bone_removed_mm3']['total'], 'mm3', 0)}"
    if estimate.get("resection"):
        bone = estimate["resection"]["bone_removed_mm3"]
        remark = f"{rough}{_ends(bone, MM3, 0, 1.0)}the least that frees this much; {sweep}"
        return "Bone to remove", amount(bone["total"], "mm3", 0), remark
    task = estimate["task"]["bone_removed_mm3"]
    return "Bone to remove", amount(task["total"], "mm3", 0), rough + _ends(task, MM3, 0, 1.0) + sweep


def _freed_tiles(estimate: Json) -> list[Tile]:
    """What is freed on each side; none where it is not known."""
    freed = estimate.get("freed")
    if not freed:
        return []
    bound = [end for end, released in freed["insertions"].items() if not released]
    remark = (
        f"ligament's {joined(bound)} insertion NOT released" if bound else "both insertions of the ligament released"
    )
    shares = f"{percent(freed['ipsilateral'])} / {percent(freed['contralateral'])}"
    return [("Freed, ipsilateral / contralateral", shares, f"of what is seen to press; {remark}")]


def outcome_words(estimate: Json) -> str:
    """The verdict in two or three words, failure first.

    >>> outcome_words({"verdict": {"freed": False, "kept": True}}), outcome_words({})
    ('NOT FREED', 'NOT JUDGED')
    >>> outcome_words({"verdict": {"freed": True, "kept": True}, "chances": {"both": 0.32}})
    'UNLIKELY TO BE FREED AND KEPT'
    """
    verdict = estimate.get("verdict")
    if not verdict:
        return "NOT JUDGED"
    kept = verdict["kept"] is not False
    if not verdict["freed"]:
        return "NOT FREED" if kept else "NOT FREED, NOT KEPT"
    if not kept:
        return "FREED, NOT KEPT"
    return UNLIKELY if _is_unlikely(estimate) else "FREED AND KEPT"


def is_outcome_good(estimate: Json) -> bool:
    """Is the plan freed and kept as drawn, and more often than not as executed?

    >>> good = {"verdict": {"freed": True, "kept": True}}
    >>> is_outcome_good(good), is_outcome_good(good | {"chances": {"both": 0.32}}), is_outcome_good({})
    (True, False, False)
    """
    verdict = estimate.get("verdict")
    return bool(verdict and verdict["freed"] and verdict["kept"]) and not _is_unlikely(estimate)


def _is_unlikely(estimate: Json) -> bool:
    chance = (estimate.get("chances") or {}).get("both")
    return chance is not None and chance < UNLIKELY_FRAC


def outcome_chance(estimate: Json) -> str:
    """The chances that belong to the verdict; of the limits alone where no more is worked out; "" where none is.

    >>> outcome_chance({"chances": {"freed": 0.9, "kept": 0.8, "both": 0.75}})
    'chance of both 75 % (freed 90 %, kept 80 %; 1000 executions)'
    """
    chances = estimate.get("chances") or {}
    if chances.get("freed") is not None:
        executions = chances.get("executions", 1000)
        both, freed, kept = (chance_words(chances.get(name), executions) for name in ("both", "freed", "kept"))
        return f"chance of both {both} (freed {freed}, kept {kept}; {executions} executions)"
    limits = chances.get("all_limits")
    return "" if limits is None else f"chance that limits are kept: {chance_words(limits)}"


def _joint_tile(relation: str, kept: Json | None) -> Tile:
    what = f"{relation.capitalize()} joint kept"
    if kept is None:
        return what, number(None), "no joint in view on this side"
    ends = _ends(kept, "%", 0, 100)
    return what, percent(kept["area_frac"]), f"{ends}of its surface; width {percent(kept['width_frac'])}"


def _reach_tile(reach: Json | None) -> Tile:
    if reach is None:
        return "Reach past the midline", number(None), "no targets in view on the contralateral side"
    ends = _ends(reach, "mm", 1, 1.0)
    return "Reach past the midline", amount(reach["lateral_mm"], "mm"), ends + limit_words(reach["limited_by"])


def _ends(reported: Json, unit: str, digits: int, scale: float) -> str:
    """The 95 % interval as the start of a remark; nothing when there is none."""
    ends = interval(reported.get("interval95"), digits, scale)
    return f"95 %: {ends} {unit}; " if ends else ""


def limits_sentence(estimate: Json) -> str:
    """What the plan frees and how the limits stand, for the head of the page; failure first.

    >>> limits_sentence({"verdicts": [{"name": "pars width remaining", "met": False}]})
    'Limits BREACHED: pars width remaining.'
    >>> freed = {"freed": False, "sentence": "Frees 5 % on the contralateral side, though it breaks no limit"}
    >>> limits_sentence({"verdict": freed, "verdicts": []})
    'NOT FREED. Frees 5 % on the contralateral side, though it breaks no limit.'
    """
    verdict = estimate.get("verdict")
    broken, unknown = breaches(estimate), [v["name"] for v in limits_of(estimate) if v["met"] is None]
    if verdict:
        unmeasured = f" Not measured: {joined(unknown)}." if unknown else ""
        return f"{'' if verdict['freed'] else 'NOT FREED. '}{verdict['sentence']}.{unmeasured}"
    limits = (
        f"Limits BREACHED: {joined(broken)}." if broken else "Both removals keep every limit that could be measured."
    )
    return (limits + (f" Not measured: {joined(unknown)}." if unknown else "")).strip()


def limit_chances(estimate: Json) -> list[tuple[str, str]]:
    """(limit, chance that it is kept) of each verdict: of the executions, or of the samples of the sweep."""
    executions = (estimate.get("chances") or {}).get("executions") if estimate.get("resection") else None
    return [(v["name"], chance_words(v.get("chance"), executions or SAMPLES)) for v in limits_of(estimate)]


SAMPLES = 1000
"""Samples that chances of the sweep are drawn from, as a rule."""
