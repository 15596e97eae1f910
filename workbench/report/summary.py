"""The head of the report: the numbers a surgeon looks at first, and whether the limits are kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from canalwise.workbench.console.freed_tables import verdict_lines
from canalwise.workbench.console.json_results import breaches
from canalwise.workbench.style.phrases import amount, interval, joined, limit_words, number, percent

Json = Mapping[str, Any]
CM3, MM2 = "cm\u00b3", "mm\u00b2"

Tile = tuple[str, str, str]
"""(what, value, remark)."""


def glance(estimate: Json) -> list[Tile]:
    """The tiles at the head of the page."""
    joints = [
        _joint_tile(relation, estimate["facet_preserved"].get(relation))
        for relation in ("ipsilateral", "contralateral")
    ]
    return [
        _bone_tile(estimate),
        *joints,
        _reach_tile(estimate["contralateral_reach"]),
        _area_tile(estimate),
    ]


def _area_tile(estimate: Json) -> Tile:
    """Free area at the narrowest station; at disc level where the room needed is not known."""
    if estimate.get("freed"):
        least = estimate["freed"]["least_area_mm2"]
        change = f"{number(least['before'], 0)} \u2192 {amount(least['after'], 'mm2', 0)}"
        told = {"interval95": (estimate["freed"].get("interval95") or {}).get("least_area_after_mm2")}
        needed = f"{_ends(told, MM2, 0, 1.0)}needed: {amount(least['needed'], 'mm2', 0)}"
        return ("Free canal, narrowest", change, needed)
    areas = estimate["decompression"]["canal_area_mm2"]
    change = f"{number(areas['before'], 0)} \u2192 {amount(areas['after'], 'mm2', 0)}"
    return ("Free canal, disc level", change, "after: an upper bound")


def _bone_tile(estimate: Json) -> Tile:
    """Least bone that frees what is taken; that of the task where the room needed is not known."""
    sweep = f"whole sweep: {number(estimate['cone']['bone_removed_mm3']['total'] / 1000)} cm\u00b3"
    if estimate.get("resection"):
        bone = estimate["resection"]["bone_removed_mm3"]
        remark = f"{_ends(bone, CM3, 1, 0.001)}to free what is freed; {sweep}"
        return "Bone that must go", f"{number(bone['total'] / 1000)} cm\u00b3", remark
    task = estimate["task"]["bone_removed_mm3"]
    return "Bone that must go", f"{number(task['total'] / 1000)} cm\u00b3", _ends(task, "cm\u00b3", 1, 0.001) + sweep


def _joint_tile(relation: str, kept: Json | None) -> Tile:
    what = f"{relation.capitalize()} joint kept"
    if kept is None:
        return what, number(None), "no joint in view on this side"
    ends = _ends(kept, "%", 0, 100)
    return what, percent(kept["area_frac"]), f"{ends}of its surface, whole sweep; width {percent(kept['width_frac'])}"


def _reach_tile(reach: Json | None) -> Tile:
    if reach is None:
        return "Reach past the midline", number(None), "no targets in view on the far side"
    ends = _ends(reach, "mm", 1, 1.0)
    return "Reach past the midline", amount(reach["lateral_mm"], "mm"), ends + limit_words(reach["limited_by"])


def _ends(reported: Json, unit: str, digits: int, scale: float) -> str:
    """The 95 % interval as the start of a remark; nothing when there is none."""
    ends = interval(reported.get("interval95"), digits, scale)
    return f"95 %: {ends} {unit}; " if ends else ""


def limits_sentence(estimate: Json) -> str:
    """What the plan frees and how the limits stand, for the head of the page; failure first.

    >>> limits_sentence({"verdicts": [{"name": "pars width left", "met": False}]})
    'Limits BREACHED: pars width left.'
    >>> freed = {"freed": False, "sentence": "Frees 5 % on the far side, though it breaks no limit"}
    >>> limits_sentence({"verdict": freed, "verdicts": []})
    'NOT FREED. Frees 5 % on the far side, though it breaks no limit.'
    """
    verdict = estimate.get("verdict")
    outcome = f"{' '.join(verdict_lines(estimate))} " if verdict else ""
    broken, unknown = breaches(estimate), [v["name"] for v in estimate["verdicts"] if v["met"] is None]
    kept = "" if verdict else "Both removals keep every limit that could be measured."
    whose = "Limits BREACHED by the whole sweep" if verdict else "Limits BREACHED"
    limits = f"{whose}: {joined(broken)}." if broken else kept
    return (outcome + limits + (f" Not measured: {joined(unknown)}." if unknown else "")).strip()
