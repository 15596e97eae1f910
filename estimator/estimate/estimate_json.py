"""An estimate as plain JSON data, with the geometry a stranger needs to recompute it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.approach.execution_errors import BY_EXECUTION
from canalwise.estimator.estimate.estimate import Cost, Estimate
from canalwise.estimator.estimate.intervals import BoneIntervals, Intervals, intervals_of
from canalwise.estimator.estimate.limit_checks import verdicts_of, warnings_of
from canalwise.estimator.estimate.limit_intervals import verdict_intervals, within_error
from canalwise.estimator.estimate.monte_carlo import MonteCarloOptions
from canalwise.estimator.estimate.probabilities import Chances, chances_of
from canalwise.estimator.interval import Interval
from canalwise.estimator.level.level_bone import PROTECTED_PARTS
from canalwise.estimator.removal.facet_preservation import FacetPreservation
from canalwise.estimator.removal.reach import Reach
from canalwise.estimator.removal.structure_names import by_structure
from canalwise.recon.anatomy import Level
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.labels import Side
from canalwise.recon.questions import question_probabilities
from canalwise.recon.serialization import to_data

SCHEMA = "canalwise.estimate/1"

DENSITY_G_PER_CM3 = (1.11, 1.92)
"""Spongiosa (ICRP 110, from memory) and cortical bone (ICRU 46, READ): bone mass is reported as this range."""

DEFINITIONS = {
    "swept_region": "points within sleeve_radius_mm of the solid flat-based cone (apex pivot_ras_mm, axis_ras, "
    "half-angle sweep_deg, length sleeve_depth_mm), united with points within tool_radius_mm of the cone of "
    "length tip_depth_mm",
    "task_region": "for each target and the pivot listed with it: points within scope_radius_mm of the straight "
    "piece from pivot to a tip working_distance_mm short of the target, united with points within tool_radius_mm "
    "of the piece from tip to target",
    "removed": "bone in a region whose straight line from the pivot stays further than clearance_mm + "
    "tool_radius_mm from the sac, and from labelled roots, each eroded by retraction_mm, and whose part is "
    "not protected",
    "targets": "of task: share of each set of geometry's task_targets_ras_mm that is touched; null where not in view",
    "touched": "a target within tool_radius_mm of the tool's cone whose line from the pivot, ended "
    "tool_radius_mm short of it, keeps the same distance and meets no protected bone",
    "canal_area_mm2": "free canal at disc level: inside the bony canal, less ligament and calcified tissue; "
    "the sac is taken to fill what is freed, so the area after is an upper bound",
}


def estimate_as_json(estimate: Estimate, intervals: Intervals | None = None) -> dict[str, Any]:
    """The estimate as JSON data; not-a-number becomes null, angles are in the level frame.

    Every `interval95` stands beside its number, with `interval_from`: cause -> standard deviation that it alone gives;
    `interval95_as_planned` leaves out execution errors. `intervals` are worked out when left out.
    """
    reported = intervals or intervals_of(estimate)
    chances = chances_of(estimate, reported.spread)
    side = estimate.approach.side
    far, pars, pars_by_relation = other_side(side), estimate.cone.pars, reported.cone.pars_mm
    document = {
        "schema": SCHEMA,
        "level": estimate.level.name,
        "side": side,
        "approach": asdict(estimate.approach),
        "cone": _removed(estimate, estimate.cone, reported.cone),
        "task": _removed(estimate, estimate.task, reported.task)
        | {
            "facet_preserved": _facets(estimate, estimate.task, reported.task),
            "targets": dict(estimate.task_reached_frac),
        },
        "facet_preserved": _facets(estimate, estimate.cone, reported.cone),
        "pars_residual_mm": {"ipsilateral": pars[side].residual_mm, "contralateral": pars[far].residual_mm}
        | {"interval95": {"ipsilateral": _ends(pars_by_relation[side]), "contralateral": _ends(pars_by_relation[far])}},
        "pars_before_mm": {"ipsilateral": pars[side].before_mm, "contralateral": pars[far].before_mm},
        "spinous_base": asdict(estimate.cone.spinous_base)
        | {
            "undercut_interval95": _ends(reported.cone.undercut_frac),
            "bridge_interval95": _ends(reported.cone.bridge_mm),
        },
        "contralateral_reach": _reach(estimate.reach.get(far), reported.reach.get(far)),
        "ipsilateral_reach": _reach(estimate.reach.get(side), reported.reach.get(side)),
        "decompression": _decompression(estimate, reported),
        "confidence": confidence_json(estimate.level),
        "probabilities": question_probabilities(estimate.anatomy, estimate.level),
        "skin_entry": asdict(estimate.skin_entry),
        "limits": [{"name": name} | asdict(record) for name, record in estimate.limits.records.items()],
        "verdicts": _verdicts(estimate, reported, chances),
        "chances": asdict(chances),
        **_trial(reported.trial),
        "warnings": list(warnings_of(estimate)),
        "sources": dict(estimate.anatomy.sources),
        "naming": None if estimate.anatomy.naming is None else to_data(estimate.anatomy.naming),
        "corrections": [to_data(correction) for correction in estimate.anatomy.corrections],
        "caution": CAUTION,
        "geometry": _geometry(estimate),
    }
    return plain(document)


def _trial(trial: MonteCarloOptions | None) -> dict[str, Any]:
    """Options of the sampling as JSON data."""
    if trial is None:
        return {"samples": 0, "seed": None, "execution_errors": []}
    errors = [{"name": name} | asdict(record) for name, record in trial.errors.records.items()]
    return {"samples": trial.samples, "seed": trial.seed, "execution_errors": errors}


def _verdicts(estimate: Estimate, reported: Intervals, chances: Chances) -> list[dict[str, Any]]:
    """The verdicts; `within_error` where the limit lies inside the number's interval, `chance` that it is kept."""
    by_name = verdict_intervals(reported, estimate.approach.side)
    return [
        asdict(verdict)
        | {"within_error": within_error(verdict, by_name.get(verdict.name)), "chance": chances.limits[verdict.name]}
        for verdict in verdicts_of(estimate)
    ]


def _ends(interval: Interval) -> list[float] | None:
    """(low, high), or nothing where no cause could be weighed."""
    return list(interval.ends) if interval.sd_by_cause else None


def _reported(interval: Interval) -> dict[str, Any]:
    return {
        "interval95": _ends(interval),
        "interval95_as_planned": _ends(interval.without(BY_EXECUTION)),
        "interval_from": dict(interval.sd_by_cause),
    }


def confidence_json(level: Level) -> dict[str, Any] | None:
    """How sure a level is, with its reasons and structures; None where it was not judged.

    >>> import numpy as np
    >>> from canalwise.recon.anatomy import Frame
    >>> confidence_json(Level("L3-L4", "L3", "L4", Frame(np.zeros(3), np.eye(3)), {}, {}, {}, {})) is None
    True
    """
    return None if level.confidence is None else dict(to_data(level.confidence))


def _removed(estimate: Estimate, cost: Cost, reported: BoneIntervals) -> dict[str, Any]:
    removal, whole = cost.removal, cost.removal.level_bone.whole_by_label_mm3
    taken = by_structure(estimate.level, estimate.approach.side, removal.by_label_mm3)
    present = by_structure(estimate.level, estimate.approach.side, whole)
    grams = [removal.total_mm3 / 1000 * density for density in DENSITY_G_PER_CM3]
    return {
        "bone_removed_mm3": {"total": removal.total_mm3, **_reported(reported.bone_mm3), "by_structure": taken},
        "removed_frac": {name: taken[name] / present[name] if present[name] else None for name in taken},
        "bone_removed_g": {"low": grams[0], "high": grams[1]},
    }


def _facets(estimate: Estimate, cost: Cost, reported: BoneIntervals) -> dict[str, Any]:
    side = estimate.approach.side
    sides = {"ipsilateral": side, "contralateral": other_side(side)}
    return {relation: _facet(cost.facets.get(s), reported.facets.get(s)) for relation, s in sides.items()}


def _facet(kept: FacetPreservation | None, reported: Mapping[str, Interval] | None) -> dict[str, Any] | None:
    """The shares of a joint; `interval95` is that of the surface, the others carry their share's name."""
    if kept is None or reported is None:
        return None
    others = {
        f"{name.removesuffix('_frac')}_interval95": _ends(reported[name]) for name in ("width_frac", "volume_frac")
    }
    return asdict(kept) | _reported(reported["area_frac"]) | others


def _reach(reach: Reach | None, reported: Mapping[str, Interval] | None) -> dict[str, Any] | None:
    if reach is None or reported is None:
        return None
    return (
        asdict(reach)
        | _reported(reported["lateral_mm"])
        | {"targets_interval95": {name: _ends(reported[name]) for name in reach.targets}}
    )


def _decompression(estimate: Estimate, reported: Intervals) -> dict[str, Any]:
    freed, side = estimate.decompression, estimate.approach.side
    return {
        "canal_area_mm2": {"before": freed.canal_area_before_mm2, "after": freed.canal_area_after_mm2}
        | {"interval95": {"before": _ends(reported.canal_before_mm2), "after": _ends(reported.canal_after_mm2)}},
        "coverage_frac": {
            "ipsilateral": freed.coverage_frac[side],
            "contralateral": freed.coverage_frac[other_side(side)],
        },
    }


def _geometry(estimate: Estimate) -> dict[str, Any]:
    channel, limits = estimate.approach.channel, estimate.limits
    return {
        "level_frame_ras": estimate.level.frame.matrix_ras,
        "pivot_ras_mm": estimate.phases[0].pivot_ras_mm,
        "phases": [asdict(phase) for phase in estimate.phases],
        "keep_out": {
            "structure": "sac",
            "also": ["root"],
            "retraction_mm": limits.value("sac_retraction_mm"),
            "clearance_mm": limits.value("sac_clearance_mm"),
        },
        "protected": [part.name.lower() for part in PROTECTED_PARTS],
        "scope_radius_mm": channel.scope_radius_mm,
        "working_distance_mm": channel.working_distance_mm,
        "targets_ras_mm": {_relation(estimate, s): dict(t.points_ras_mm) for s, t in estimate.level.targets.items()},
        "task_targets_ras_mm": dict(estimate.task_targets_ras_mm),
        "task_paths": [{"pivot_ras_mm": pivot, "targets_ras_mm": targets} for pivot, targets in estimate.task_paths],
        "definitions": DEFINITIONS,
    }


def _relation(estimate: Estimate, side: Side) -> str:
    return "ipsilateral" if side == estimate.approach.side else "contralateral"


def plain(value: Any) -> Any:
    """Arrays to lists, numpy numbers to Python's, NaN to None.

    >>> plain({"a": np.array([1.0, np.nan]), 2: (np.float32(0.5),)})
    {'a': [1.0, None], '2': [0.5]}
    """
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, float | np.floating):
        return None if np.isnan(value) else float(value)
    return value
