"""A comparison of the best plan of each access as JSON data, and the sentence that follows: failure first."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.comparison.access_results import (
    AccessComparison,
    AccessResult,
    reference,
    winner,
)
from canalwise.estimator.interval import ends95
from canalwise.estimator.outcome.numbers_json import known, numbers_as_json
from canalwise.estimator.outcome.outcome_values import freed_percent
from canalwise.estimator.ties import SAME_MM3, is_tie
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.labels import SIDES

SCHEMA = "canalwise.compare/3"


def comparison_as_json(comparison: AccessComparison) -> dict[str, Any]:
    """All accesses, each with its difference from the best; joints and structures by the patient's side."""
    first, best = reference(comparison.accesses), winner(comparison.accesses)
    return {
        "schema": SCHEMA,
        "level": comparison.level,
        "breadth": comparison.breadth,
        "enough_frac": comparison.enough_frac,
        "rows": [_row(access) | {"more_than_least": _difference(access, first)} for access in comparison.accesses],
        "best": None if best is None else best.name,
        "least": first.name,
        "conclusion": conclusion(comparison),
        "stopped": comparison.stopped,
        "caution": CAUTION,
    }


def _row(access: AccessResult) -> dict[str, Any]:
    numbers = access.numbers
    joints = {f"facet_{s}_frac": known(numbers.facet_area_frac.get(s, float("nan"))) for s in SIDES}
    pars = {f"pars_{s}_mm": known(numbers.pars_mm[s]) for s in SIDES}
    shared = numbers_as_json(numbers)
    return {
        "name": access.name,
        "verdict": shared["verdict"],
        "freed": shared["freed"],
        "freed_frac": numbers.least_freed_frac,
        "bone_removed_mm3": access.total_mm3,
        # no executions of a midline access are simulated
        "interval95": None if access.as_executed is None else list(access.interval95_mm3),
        "bone_by_structure_mm3": by_patient_side(access),
        **joints,
        **pars,
        "spinous_bridge_mm": known(numbers.bridge_mm),
        "canal_area_before_mm2": numbers.at_disc_area_mm2["before"],
        "canal_area_after_mm2": numbers.at_disc_area_mm2["after"],
        "limits_broken": shared["limits_broken"],
        "as_executed": None if access.as_executed is None else asdict(access.as_executed),
        "plans": [asdict(plan) for plan in access.plans],
    }


def by_patient_side(access: AccessResult) -> dict[str, float]:
    """Bone by structure, sides as the patient's, the left first."""
    words = {"ipsilateral": access.reference_side, "contralateral": other_side(access.reference_side)}
    named = {}
    for name, bone in access.numbers.by_structure_mm3.items():
        what, _, relation = name.rpartition(" ")
        named[f"{what} {words[relation]}" if relation in words else name] = bone
    return dict(sorted(named.items()))


def _difference(access: AccessResult, first: AccessResult) -> dict[str, Any]:
    low, high = difference95_mm3(access, first)
    more = access.total_mm3 - first.total_mm3
    return {
        "bone_removed_mm3": more,
        "interval95": [low, high],
        "tie": access is not first and ties_with(access, first),
    }


def difference95_mm3(access: AccessResult, other: AccessResult) -> tuple[float, float]:
    """Between which 95 % of the differences lie, trial by trial with the same draws."""
    return ends95(access.bone_mm3 - other.bone_mm3, access.total_mm3 - other.total_mm3)


def ties_with(access: AccessResult, other: AccessResult) -> bool:
    """Do both free enough within limits, or both not, and is the difference in bone too small to tell?"""
    alike = access.numbers.good == other.numbers.good
    return alike and is_tie(access.total_mm3 - other.total_mm3, difference95_mm3(access, other), SAME_MM3)


def conclusion(comparison: AccessComparison) -> str:
    """Which access frees enough for the least bone, and how others differ; what frees too little is never a tie."""
    best, first = winner(comparison.accesses), reference(comparison.accesses)
    enough = f"{100 * comparison.enough_frac:.0f} %"
    if best is None:
        said = [f"No access through a channel frees {enough} on each side within the limits; {first.name} frees "
                f"{_freed(first, comparison)} there, the most"]  # fmt: skip
    else:
        said = [f"Least bone that frees {enough} on each side: {best.name}, {best.total_mm3:.0f} mm3"]
    said += [_against(access, first, comparison) for access in comparison.accesses if access is not first]
    return "; ".join(said) + "."


def _against(access: AccessResult, first: AccessResult, comparison: AccessComparison) -> str:
    low, high = difference95_mm3(access, first)
    by = access.total_mm3 - first.total_mm3
    more = f"{abs(by):.0f} mm3 {'more' if by >= 0 else 'less'} (95 %: {round(low)} to {round(high)})"
    if not access.numbers.good:
        failing = f"frees {_freed(access, comparison)}" if not access.numbers.verdict.freed else "frees enough"
        broken = f" and breaks {', '.join(access.numbers.broken)}" if access.numbers.broken else ""
        return f"{access.name} {failing}{broken}, for {more}"
    return f"{access.name} a tie, {more}" if ties_with(access, first) else f"{access.name} takes {more}"


def _freed(access: AccessResult, comparison: AccessComparison) -> str:
    """Freed on the side freed less."""
    return freed_percent(access.numbers.least_freed_frac, comparison.enough_frac)
