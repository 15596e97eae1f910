"""Outcome of an approach as JSON data, each headline number with its interval, and the chances."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.execution.resection_numbers import (
    BONE_MM3,
    BRIDGE,
    DISC_AREA,
    FACET_SHARES,
    FREED,
    LEAST_AREA,
    REACH,
    UNDERCUT,
    bone_of_structure,
    share_of_structure,
)
from canalwise.estimator.execution.uncertainty_values import EXECUTION, ResectionIntervals
from canalwise.estimator.interval import Interval
from canalwise.estimator.outcome.decompressed import DecompressedLevel
from canalwise.estimator.outcome.decompression_json import decompression_as_json
from canalwise.recon.labels import Side

Json = dict[str, Any]


def uncertain_as_json(found: DecompressedLevel, reported: ResectionIntervals | None, with_bound: bool = True) -> Json:
    """`decompression_as_json` with an `interval95` beside every headline number, and `chances` {freed, kept, both}.

    Where `reported` is None, intervals and chances are null: they were not requested.
    """
    document = decompression_as_json(found, with_bound)
    if reported is None:
        return document | {"chances": {"freed": None, "kept": None, "both": None}}
    side = found.resection.approach.side
    sides: dict[str, Side] = {"ipsilateral": side, "contralateral": other_side(side)}
    intervals = _IntervalJson(reported.intervals)
    document["resection"] = _resection(document["resection"], intervals, reported, sides)
    document["freed"] = document["freed"] | {"interval95": _freed(intervals, sides)}
    document["verdict"] = document["verdict"] | {"chance": reported.chances.both}
    return document | {"chances": _chances(reported)}


class _IntervalJson:
    """Intervals by name, in their JSON form."""

    def __init__(self, intervals: Mapping[str, Interval]) -> None:
        self._intervals = intervals

    def ends(self, name: str) -> list[float] | None:
        """(low, high); None where the number is not known or nothing makes it uncertain."""
        found = self._intervals.get(name)
        return None if found is None or not found.sd_by_cause else list(found.ends)

    def whole(self, name: str) -> Json:
        """The interval, the same were the plan carried out exactly, and what makes it so wide."""
        found = self._intervals.get(name)
        if found is None or not found.sd_by_cause:
            return {"interval95": None, "interval95_as_planned": None, "interval_from": {}}
        planned = found.without([EXECUTION])
        return {
            "interval95": list(found.ends),
            "interval95_as_planned": list(planned.ends) if planned.sd_by_cause else None,
            "interval_from": dict(found.sd_by_cause),
        }


def _resection(
    resection: Json, intervals: _IntervalJson, reported: ResectionIntervals, sides: Mapping[str, Side]
) -> Json:
    bone, structures = resection["bone_removed_mm3"], resection["bone_removed_mm3"]["by_structure"]
    base, pars = resection["spinous_base"], resection["pars_residual_mm"]
    return resection | {
        "bone_removed_mm3": bone
        | intervals.whole(BONE_MM3)
        | {"by_structure_interval95": {name: intervals.ends(bone_of_structure(name)) for name in structures}},
        "share_of_structure_interval95": {name: intervals.ends(share_of_structure(name)) for name in structures},
        "facet_preserved": {
            relation: None if kept is None else kept | _facet(intervals, sides[relation])
            for relation, kept in resection["facet_preserved"].items()
        },
        "pars_residual_mm": pars
        | {"interval95": {relation: intervals.ends(f"{side} pars_mm") for relation, side in sides.items()}},
        "spinous_base": base
        | {"bridge_interval95": intervals.ends(BRIDGE), "undercut_interval95": intervals.ends(UNDERCUT)},
        "contralateral_reach": resection["contralateral_reach"] | {"interval95": intervals.ends(REACH)},
        "limits": [check | {"chance": reported.chances.limits[check["name"]]} for check in resection["limits"]],
    }


def _facet(intervals: _IntervalJson, side: Side) -> Json:
    """Intervals of the shares of a joint; `interval95` is that of the surface, the others carry their share's name."""
    area, *others = FACET_SHARES
    return {"interval95": intervals.ends(f"{side} {area}")} | {
        f"{share.removesuffix('_frac')}_interval95": intervals.ends(f"{side} {share}") for share in others
    }


def _freed(intervals: _IntervalJson, sides: Mapping[str, Side]) -> Json:
    return {
        "share": intervals.ends(FREED),
        **{relation: intervals.ends(f"{side} {FREED}") for relation, side in sides.items()},
        "root_room_mm": {relation: intervals.ends(f"{side} root_mm") for relation, side in sides.items()},
        "least_area_after_mm2": intervals.ends(LEAST_AREA),
        "at_disc_area_after_mm2": intervals.ends(DISC_AREA),
    }


def _chances(reported: ResectionIntervals) -> Json:
    chances, trial = reported.chances, reported.trial
    errors = [
        {"name": name, "value": record.value, "unit": record.unit, "source": record.source, "evidence": record.evidence}
        for name, record in trial.errors.records.items()
    ]
    return {
        "freed": chances.freed,
        "kept": chances.kept,
        "both": chances.both,
        "executions": chances.samples,
        "execution_seed": trial.seed,
        "execution_errors": errors,
    }
