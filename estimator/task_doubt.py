"""What a berth that lies elsewhere and a hand that strays do to the task's removal, asked anew for each error alone.

A task's ways end at their targets, on which the surgeon aims by eye: depth changes nothing, a shifted entry slants the
ways, and tilts and the sac decide which targets are touched at all.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from estimator.approach import Approach, placed_phases
from estimator.estimate import Cost, Estimate, cost_of, task_paths
from estimator.execution import ENTRY, REGISTRATION, TILT, ExecutionErrors, causes_of, disturbed
from estimator.interval import SD_OF_95
from estimator.montecarlo import SAC
from estimator.region import TaskRegion
from estimator.task_targets import joined_mm
from recon.labels import SIDES
from recon.workers import side_by_side


def task_causes(estimate: Estimate, errors: ExecutionErrors) -> dict[str, dict[str, float]]:
    """Name of a number, as in `estimator.montecarlo`, -> cause -> standard deviation of the task's number."""
    steps, berth_mm = _steps(estimate.approach, errors), SD_OF_95 * estimate.prepared.doubt.sac_mm
    asked = [(approach, 0.0) for _, ends in steps for approach in ends]
    asked += [(estimate.approach, -berth_mm), (estimate.approach, berth_mm)]
    own, causes = task_numbers(estimate.task), [*(cause for cause, _ in steps), SAC]
    found = list(side_by_side(lambda each: task_numbers(task_cost_of(estimate, *each)), asked))
    variance: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    for n, cause in enumerate(causes):
        for name, value in own.items():
            change = max(abs(moved[name] - value) for moved in found[2 * n : 2 * n + 2])
            variance[name][cause] += (change / SD_OF_95) ** 2
    told = {name: {cause: float(np.sqrt(v)) for cause, v in by_cause.items()} for name, by_cause in variance.items()}
    return {name: _with_registration(shares, errors) for name, shares in told.items() if not np.isnan(own[name])}


def _steps(approach: Approach, errors: ExecutionErrors) -> list[tuple[str, tuple[Approach, Approach]]]:
    """(cause, the approach with a step of SD_OF_95 deviations up and down) of the errors that a task feels.

    Registration moves the pivot as the entry does, so both are asked at once.
    """
    causes = causes_of(len(approach.phases))
    felt = [n for n, cause in enumerate(causes) if cause in (ENTRY, TILT)]
    both = errors.changed(entry_sd_mm=_entry_mm(errors))
    steps = SD_OF_95 * np.eye(len(causes))[felt]
    up, down = (disturbed(approach, both, sign * steps) for sign in (1.0, -1.0))
    return [(causes[n], (up.approach(k), down.approach(k))) for k, n in enumerate(felt)]


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
    keep_out = replace(estimate.keep_out, berth_mm=estimate.keep_out.berth_mm + wider_mm)
    phases = placed_phases(approach, prepared.level.frame)
    paths = task_paths(prepared.anatomy, phases, keep_out, joined_mm(estimate.task_targets_ras_mm))
    return cost_of(prepared, TaskRegion(paths, approach.channel, keep_out))


def task_numbers(cost: Cost) -> dict[str, float]:
    """Name -> number of a removal, named as in `estimator.montecarlo`."""
    told = {
        "bone_mm3": cost.removal.total_mm3,
        "undercut_frac": cost.spinous_base.undercut_frac,
        "bridge_mm": cost.spinous_base.bridge_mm,
    }
    for side in SIDES:
        told[f"{side} pars_mm"] = cost.pars[side].residual_mm
    for side, kept in cost.facets.items():
        told |= {f"{side} {name}": getattr(kept, name) for name in ("area_frac", "width_frac", "volume_frac")}
    return told
