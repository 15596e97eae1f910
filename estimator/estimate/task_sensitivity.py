"""Sensitivity of the task's removal to a shifted sac and to each execution error alone, recomputed exactly.

A task's paths end at their targets, on which the surgeon aims by eye: depth changes nothing, a shifted entry slants the
paths, and tilts and the sac decide which targets are touched at all.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from canalwise.estimator.approach.approach import Approach, placed_phases
from canalwise.estimator.approach.execution_errors import (
    ENTRY,
    REGISTRATION,
    TILT,
    ExecutionErrors,
    causes_of,
    disturbed,
)
from canalwise.estimator.approach.table import ApproachTable
from canalwise.estimator.estimate.estimate import Cost, Estimate, cost_of, task_paths
from canalwise.estimator.interval import SD_OF_95
from canalwise.estimator.level.border_uncertainty import SAC
from canalwise.estimator.level.target_points import joined_mm
from canalwise.estimator.removal.region import TaskRegion
from canalwise.recon.labels import SIDES
from canalwise.recon.parallel import side_by_side


def task_causes(estimate: Estimate, errors: ExecutionErrors) -> dict[str, dict[str, float]]:
    """Name of a number, as in `estimator.estimate.monte_carlo`, -> cause -> standard deviation of the task's number."""
    causes = causes_of(len(estimate.approach.phases))
    felt = task_sensitivity(len(estimate.approach.phases))
    both = with_registration(errors)
    steps = SD_OF_95 * np.eye(len(causes))[felt]
    up, down = (disturbed(estimate.approach, both, sign * steps) for sign in (1.0, -1.0))
    own, found = task_numbers(estimate.task), task_changes(estimate, up, down)
    variance: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    for cause, ends in zip([*(causes[n] for n in felt), SAC], found, strict=True):
        for name in own:
            variance[name][cause] += (max(abs(change[name]) for change in ends) / SD_OF_95) ** 2
    reported = {
        name: {cause: float(np.sqrt(v)) for cause, v in by_cause.items()} for name, by_cause in variance.items()
    }
    return {name: _with_registration(shares, errors) for name, shares in reported.items() if not np.isnan(own[name])}


def task_sensitivity(phases: int) -> list[int]:
    """Indices of the errors of `causes_of` that change a task's numbers.

    >>> task_sensitivity(1)
    [0, 1, 5, 6]
    """
    return [n for n, cause in enumerate(causes_of(phases)) if cause in (ENTRY, TILT)]


def with_registration(errors: ExecutionErrors) -> ExecutionErrors:
    """Errors whose entry strays by that of registration too: it moves the pivot alike, so both are changed at once.

    >>> errors = ExecutionErrors().changed(entry_sd_mm=3.0, registration_sd_mm=4.0)
    >>> with_registration(errors).value("entry_sd_mm")
    5.0
    """
    return errors.changed(entry_sd_mm=_entry_mm(errors))


def task_changes(
    estimate: Estimate, up: ApproachTable, down: ApproachTable
) -> list[tuple[dict[str, float], dict[str, float]]]:
    """Changes of the task's numbers by a step up and a step down of each error alone, the sac's border last.

    Row by row, `up` and `down` hold the approach one step of SD_OF_95 deviations off.
    """
    clearance_radius_mm = SD_OF_95 * estimate.prepared.border_uncertainty.sac_mm
    variants = [(table.approach(k), 0.0) for k in range(len(up)) for table in (up, down)]
    variants += [(estimate.approach, -clearance_radius_mm), (estimate.approach, clearance_radius_mm)]
    own = task_numbers(estimate.task)

    def changes(each: tuple[Approach, float]) -> dict[str, float]:
        moved = task_numbers(task_cost_of(estimate, *each))
        return {name: moved[name] - value for name, value in own.items()}

    found = list(side_by_side(changes, variants))
    return list(zip(found[::2], found[1::2], strict=True))


def _entry_mm(errors: ExecutionErrors) -> float:
    return float(np.hypot(errors.value("entry_sd_mm"), errors.value("registration_sd_mm")))


def _with_registration(causes: Mapping[str, float], errors: ExecutionErrors) -> dict[str, float]:
    """The joint share of entry and registration divided between them."""
    both = causes[ENTRY] / max(_entry_mm(errors), 1e-9)
    return dict(causes) | {
        ENTRY: both * errors.value("entry_sd_mm"),
        REGISTRATION: both * errors.value("registration_sd_mm"),
    }


def task_cost_of(estimate: Estimate, approach: Approach, wider_mm: float) -> Cost:
    """The task's cost when its approach is carried out so, with the berth about the sac so much wider."""
    prepared = estimate.prepared
    keep_out = replace(estimate.keep_out, clearance_radius_mm=estimate.keep_out.clearance_radius_mm + wider_mm)
    phases = placed_phases(approach, prepared.level.frame)
    paths = task_paths(prepared.anatomy, phases, keep_out, joined_mm(estimate.task_targets_ras_mm))
    return cost_of(prepared, TaskRegion(paths, approach.channel, keep_out))


def task_numbers(cost: Cost) -> dict[str, float]:
    """Name -> number of a removal, named as in `estimator.estimate.monte_carlo`."""
    reported = {
        "bone_mm3": cost.removal.total_mm3,
        "undercut_frac": cost.spinous_base.undercut_frac,
        "bridge_mm": cost.spinous_base.bridge_mm,
    }
    for side in SIDES:
        reported[f"{side} pars_mm"] = cost.pars[side].residual_mm
    for side, kept in cost.facets.items():
        reported |= {f"{side} {name}": getattr(kept, name) for name in ("area_frac", "width_frac", "volume_frac")}
    return reported
