"""The numbers of an access as JSON data, freed first; by the patient's sides, or near and far where there are such."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.outcome.plan_values import PlanNumbers
from canalwise.recon.labels import SIDES, Side


def numbers_as_json(numbers: PlanNumbers, side: Side | None = None) -> dict[str, Any]:
    """All of it; `freed` by near and far side for an approach from a side, else by the patient's sides."""
    return {
        "verdict": asdict(numbers.verdict),
        "freed": {"share": known(numbers.freed_frac)} | _freed(numbers, side) | {
            "least_area_mm2": dict(numbers.least_area_mm2),
            "at_disc_area_mm2": dict(numbers.at_disc_area_mm2),
        },
        "bone_mm3": {"total": numbers.bone_mm3, "by_structure": dict(numbers.by_structure_mm3),
                     "weighted": known(numbers.weighted_mm3)},
        "pars_mm": {s: known(numbers.pars_mm[s]) for s in SIDES},
        "spinous_base": {"bridge_mm": known(numbers.bridge_mm), "undercut_frac": known(numbers.undercut_frac)},
        "spinous_process": {"contact_mm3": known(numbers.contact_mm3)},
        "farthest_bone_mm": known(numbers.lateral_mm),
        "limits_broken": list(numbers.broken),
        "closest_limit": closest_limit(numbers),
    }  # fmt: skip


def _freed(numbers: PlanNumbers, side: Side | None) -> dict[str, float | None]:
    names = {"left": "left", "right": "right"}
    if side is not None:
        names = {side: "ipsilateral", other_side(side): "contralateral"}
    return {names[s]: known(numbers.freed_by_side[s]) for s in SIDES}


def closest_limit(numbers: PlanNumbers) -> dict[str, Any] | None:
    """The limit that is nearest to being broken, as a share of itself; None where nothing was measured."""
    measured = [check for check in numbers.checks if check.met is not None]
    if not measured:
        return None
    least = min(measured, key=lambda c: abs(c.value - c.limit.value) / max(c.limit.value, 1e-9) * (1 if c.met else -1))
    return {"name": least.name, "value": known(least.value), "limit": least.limit.value, "unit": least.limit.unit}


def known(value: float) -> float | None:
    """A number, or None for what is not known.

    >>> known(float("nan")), known(2)
    (None, 2.0)
    """
    return None if value != value else float(value)
