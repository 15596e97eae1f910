"""A comparison of the best plans of each way in as JSON data, and the sentence that follows from its numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from canalwise.estimator.comparison.access_results import MIDLINE, AccessComparison, AccessResult
from canalwise.estimator.interval import ends95
from canalwise.estimator.ties import SAME_MM3, is_tie
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.labels import SIDES

SCHEMA = "canalwise.compare/2"


def comparison_as_json(comparison: AccessComparison) -> dict[str, Any]:
    """All ways, each with its difference from the one that takes least bone; joints by the patient's side."""
    least = cheapest(comparison.ways)
    return {
        "schema": SCHEMA,
        "level": comparison.level,
        "task": list(comparison.task),
        "rows": [_row(way) | {"more_than_least": _difference(way, least)} for way in comparison.ways],
        "least": least.name,
        "conclusion": conclusion(comparison),
        "stopped": comparison.stopped,
        "caution": CAUTION,
    }


def _row(way: AccessResult) -> dict[str, Any]:
    joints = {f"facet_{s}_frac": way.cost.facets[s].area_frac if s in way.cost.facets else None for s in SIDES}
    pars = {f"pars_{s}_mm": _known(way.cost.pars[s].residual_mm) for s in SIDES}
    return {
        "name": way.name,
        "bone_removed_mm3": way.total_mm3,
        "interval95": list(way.interval95_mm3),
        **joints,
        **pars,
        "spinous_bridge_mm": _known(way.cost.spinous_base.bridge_mm),
        "canal_area_before_mm2": _known(way.freed.canal_area_before_mm2),
        "canal_area_after_mm2": _known(way.freed.canal_area_after_mm2),
        "reached_frac": _known(way.reached_frac),
        "by_hand": None if way.success_by_execution is None else asdict(way.success_by_execution),
        "plans": [asdict(plan) for plan in way.plans],
    }


def _known(value: float) -> float | None:
    return None if value != value else float(value)


def _difference(way: AccessResult, least: AccessResult) -> dict[str, Any]:
    low, high = difference95_mm3(way, least)
    more = way.total_mm3 - least.total_mm3
    return {"bone_removed_mm3": more, "interval95": [low, high], "tie": way is not least and ties_with(way, least)}


def difference95_mm3(way: AccessResult, other: AccessResult) -> tuple[float, float]:
    """Between which 95 % of the differences lie, the same hand and the same borders in each sample."""
    return ends95(way.bone_mm3 - other.bone_mm3, way.total_mm3 - other.total_mm3)


def ties_with(way: AccessResult, other: AccessResult) -> bool:
    """Is the difference in bone too small to matter, or could errors turn it round?"""
    return is_tie(way.total_mm3 - other.total_mm3, difference95_mm3(way, other), SAME_MM3)


def cheapest(ways: Sequence[AccessResult]) -> AccessResult:
    """The way through channels that takes least bone."""
    return min((way for way in ways if way.name != MIDLINE), key=lambda way: way.total_mm3)


def conclusion(comparison: AccessComparison) -> str:
    """Which way takes least bone, and how each other differs from it: a tie where it might be the other way round."""
    least = cheapest(comparison.ways)
    reported = [f"Least bone: {least.name}, {least.total_mm3:.0f} mm3"]
    for way in comparison.ways:
        if way is not least:
            reported.append(_against(way, least))
    return "; ".join(reported) + "."


def _against(way: AccessResult, least: AccessResult) -> str:
    low, high = difference95_mm3(way, least)
    more = f"{way.total_mm3 - least.total_mm3:.0f} mm3 more (95 %: {low:.0f} to {high:.0f})"
    return f"{way.name} a tie, {more}" if ties_with(way, least) else f"{way.name} takes {more}"
