"""A plan's numbers in samples that all plans held against each other meet alike.

Borders, and from one side the execution errors, are the same in every plan's samples
(`estimator.comparison.paired_samples.PairedSamples`), so what is uncertain of two plans alike cancels in the
difference of their samples.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from canalwise.estimator.approach.approach import Approach, other_side
from canalwise.estimator.approach.execution_errors import COMMON, ExecutionErrors
from canalwise.estimator.approach.table import joined
from canalwise.estimator.comparison.paired_samples import PairedSamples, copies_of, joined_plans
from canalwise.estimator.comparison.quantities import CHANCES, SAMPLED, known, within
from canalwise.estimator.estimate.estimate import Estimate
from canalwise.estimator.estimate.intervals import unshifted_causes
from canalwise.estimator.estimate.monte_carlo import SampledBorders, SampledChanges, changes_of, with_noise
from canalwise.estimator.estimate.probabilities import sampled_name, successes_of
from canalwise.estimator.estimate.task_reach import reached_exactly
from canalwise.estimator.estimate.task_sensitivity import task_changes, task_sensitivity, with_registration
from canalwise.estimator.geometry.level_arrays import F64
from canalwise.estimator.interval import SD_OF_95
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Mask, Side


def values_of(exact: Estimate) -> dict[str, float]:
    """The numbers of a plan, NaN where not in view; as `estimator.estimate.estimate_json` tells them."""
    cone, far = exact.cone, other_side(exact.approach.side)
    return {
        "cone_bone": cone.removal.total_mm3,
        "task_bone": exact.task.removal.total_mm3,
        **{f"{side}_facet": kept.area_frac for side, kept in cone.facets.items()},
        **{f"{side}_pars": cone.pars[side].residual_mm for side in SIDES},
        "bridge": cone.spinous_base.bridge_mm,
        "reach": exact.reach[far].lateral_mm if far in exact.reach else np.nan,
        "reached": reached_exactly(exact),
        "canal_after": exact.decompression.canal_area_after_mm2,
    }


def paired_changes(
    exact: Estimate, plans: tuple[Approach, ...], samples: PairedSamples, wanted: Sequence[str] | None = None
) -> tuple[dict[str, F64], dict[str, Mask]]:
    """Every number of one or two plans in each of the shared samples, and in which of them they succeed.

    `wanted` : as for `estimator.estimate.probabilities.successes_of`.

    Returns
    -------
    changes : name of a number -> (N,) array, its value in each of N samples
    succeeds : name of a chance -> (N,) array, does that sample succeed?
    """
    prepared, nothing = exact.prepared, np.zeros(1)
    copies = copies_of(plans, ExecutionErrors(), samples.execution_normals_of)
    borders = (np.concatenate([nothing, mm]) for mm in (samples.border_mm, samples.canal_mm, samples.sac_mm))
    changes, untouched = changes_of(prepared, joined([joined_plans(plans), copies]), SampledBorders(*borders))
    change = {name: values[1:] for name, values in changes.items()}
    untouched = {side: flags[1:] for side, flags in untouched.items()}
    spread = with_noise(SampledChanges(change, {}, untouched), unshifted_causes(exact), samples.seed)
    found = successes_of(exact, spread, wanted)
    flags = {name: getattr(found, name) for name in CHANCES}
    shared = _shared(exact, spread) | {"task_bone": _task_bone(exact, plans, samples)}
    return shared, {name: of for name, of in flags.items() if of is not None}


def _shared(exact: Estimate, spread: SampledChanges) -> dict[str, F64]:
    """Samples of every number but the task's, about the exact one."""
    values = known(values_of(exact))
    names = SAMPLED | {"reach": f"{other_side(exact.approach.side)} lateral_mm"}
    reported = {name: within(name, values[name] + spread.change[sampled]) for name, sampled in names.items()
            if name in values and not np.isnan(spread.change[sampled]).any()}  # fmt: skip
    reached = mean_reached(exact, spread)
    return reported if reached is None else reported | {"reached": reached}


def mean_reached(exact: Estimate, spread: SampledChanges) -> F64 | None:
    """(N,) array: mean share touched of the requested sets in view; None where none is."""
    shares = {sampled_name(exact, name): share for name, share in exact.task_reached_frac.items() if share == share}
    reported = [
        np.clip(share + spread.change[name], 0.0, 1.0) for name, share in shares.items() if name in spread.change
    ]
    return np.asarray(np.mean(reported, axis=0)) if reported else None


def _task_bone(exact: Estimate, plans: tuple[Approach, ...], samples: PairedSamples) -> F64:
    """(N,) array: the task's bone in each sample, from what a step of each error alone changes, up and down."""
    border_uncertainty, errors, own = (
        exact.prepared.border_uncertainty,
        with_registration(ExecutionErrors()),
        exact.task.removal,
    )
    steps, strayed = _steps(plans, samples)
    up, down = (copies_of(plans, errors, {side: sign * step for side, step in steps.items()}) for sign in (1.0, -1.0))
    *success_by_execution, by_sac = task_changes(exact, up, down)
    change = _along(samples.sac_mm / max(border_uncertainty.sac_mm, 1e-9), by_sac[1]["bone_mm3"], by_sac[0]["bone_mm3"])
    for normals, (more, less) in zip(strayed, success_by_execution, strict=True):
        change = change + _along(normals, more["bone_mm3"], less["bone_mm3"])
    thinner = replace(own, level_bone=exact.prepared.thinner.level_bone)
    per_sd = (thinner.total_mm3 - own.total_mm3) / SD_OF_95
    return np.maximum(own.total_mm3 + change + per_sd * samples.border_mm / max(border_uncertainty.bone_mm, 1e-9), 0.0)


def _along(normals: F64, up: float, down: float) -> F64:
    """A change that goes straight from nothing to what a step of SD_OF_95 deviations up or down makes it.

    >>> _along(np.array([0.98, -1.96]), 10.0, 6.0).round(6).tolist()
    [5.0, 6.0]
    """
    return np.where(normals > 0, normals * up, -normals * down) / SD_OF_95


def _steps(plans: tuple[Approach, ...], samples: PairedSamples) -> tuple[dict[Side, Float], list[F64]]:
    """Each error that the tasks of the plans feel: side -> (E, K) steps of it alone, and (N,) samples of each of E."""
    felt = [(plan.side, column) for plan in plans for column in task_sensitivity(len(plan.phases))]
    steps = {
        side: np.zeros((len(felt), execution.shape[1])) for side, execution in samples.execution_normals_of.items()
    }
    for row, (side, column) in enumerate(felt):
        steps[side][row, column] = SD_OF_95
    return steps, [_strayed(samples.execution_normals_of[side], column) for side, column in felt]


def _strayed(execution: Float, column: int) -> F64:
    """(N,) array: one execution error in standard deviations, the entry's with registration's along the same axis."""
    if column >= len(COMMON):
        return execution[:, column]
    errors = ExecutionErrors()
    entry, registration = errors.value("entry_sd_mm"), errors.value("registration_sd_mm")
    along = REGISTRATION_OF_ENTRY[column]
    return np.asarray(
        (entry * execution[:, column] + registration * execution[:, along]) / np.hypot(entry, registration)
    )


REGISTRATION_OF_ENTRY = {0: 2, 1: 4}
"""Index into `execution_errors.COMMON` of the registration error along the axis of each entry error."""
