"""Plans of one level side by side: each one's numbers, and by how much it differs from the first.

A difference rests on samples that all rows meet alike (`estimator.comparison.paired_samples.PairedSamples`): the same
borders and, from one side, the same execution errors. What is uncertain of both alike cancels, and its interval is
narrower than theirs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from canalwise.estimator.approach.approach import Approach, other_side
from canalwise.estimator.comparison.access_results import BOTH, MIDLINE
from canalwise.estimator.comparison.midline_access import midline_access
from canalwise.estimator.comparison.paired_changes import mean_reached, paired_changes, values_of
from canalwise.estimator.comparison.paired_samples import SAMPLES, PairedSamples, joined_plans, samples_of
from canalwise.estimator.comparison.plan_rows import PlanRow, PlanTableTask
from canalwise.estimator.comparison.quantities import CHANCES, SAMPLED, known, within
from canalwise.estimator.estimate.estimate import Estimate, estimate_of
from canalwise.estimator.estimate.intervals import Intervals, area_causes, cost_causes, intervals_of
from canalwise.estimator.estimate.monte_carlo import AFTER, SampledChanges, with_noise
from canalwise.estimator.estimate.probabilities import successes_of, wanted_of
from canalwise.estimator.estimate.task_reach import reached_exactly
from canalwise.estimator.interval import SD_OF_95, Ends, ends95
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.level.target_names import FROM_TARGETS, chosen, of_both_halves
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.outcome.joined_outcome import both_sides, midline
from canalwise.estimator.outcome.plan_values import PlanNumbers
from canalwise.estimator.removal.midline_laminectomy import laminectomy
from canalwise.estimator.resection.resection import resection_level_of, resection_of
from canalwise.estimator.resection.resection_level import with_set
from canalwise.recon.errors import AnatomyNotFound, WrongUse
from canalwise.recon.labels import SIDES, Mask


def pinned(
    prepared: PreparedLevel, pinning: PlanTableTask, progress: Callable[[int], None] = lambda _: None
) -> tuple[PlanRow, ...]:
    """The plans, then both sides together, then the midline laminectomy, as far as requested.

    Parameters
    ----------
    progress : called with the number of rows done

    Raises
    ------
    WrongUse : both sides are requested for a task that lies on one only
    AnatomyNotFound : no lamina edges in view to lay out a laminectomy
    """
    samples, rows = samples_of(prepared, pinning.seed, pinning.phases), []
    for number, plan in enumerate(pinning.plans):
        rows.append(_row_of_plan(prepared, plan, pinning, samples))
        progress(number + 1)
    if pinning.both:
        rows.append(_row_of_both(prepared, pinning, samples))
        progress(len(rows))
    if pinning.midline:
        rows.append(_row_of_midline(prepared, samples))
        progress(len(rows))
    return tuple(rows)


def _row_of_plan(prepared: PreparedLevel, plan: Approach, pinning: PlanTableTask, samples: PairedSamples) -> PlanRow:
    exact = estimate_of(prepared, plan, pinning.task)
    reported = intervals_of(exact)
    shared, flags = paired_changes(exact, (plan,), samples)
    alone = successes_of(exact, reported.spread)
    chances = {name: getattr(alone, name) for name in CHANCES}
    values = values_of(exact) | {name: float(of.mean()) for name, of in chances.items() if of is not None}
    ends = _ends(exact, reported) | {name: share95(of) for name, of in chances.items() if of is not None}
    row = PlanRow(plan.side, (plan,), known(values), ends, shared, flags)
    return with_freed(row, lambda: decompressed(prepared, plan).numbers)


def _row_of_both(prepared: PreparedLevel, pinning: PlanTableTask, samples: PairedSamples) -> PlanRow:
    halves = pinning.halves
    exact = estimate_of(prepared, joined_plans(halves).approach(0), _halves_of(pinning.task))
    shared, flags = paired_changes(exact, halves, samples, _halves_of(wanted_of(chosen(pinning.task))))
    # two entries have no other side to reach over to
    values = {name: value for name, value in values_of(exact).items() if name != "reach"}
    values |= {name: float(of.mean()) for name, of in flags.items()}
    ends: dict[str, Ends] = {name: ends95(shared[name], values[name]) for name in shared if name in values}
    ends |= {name: share95(of) for name, of in flags.items()}
    row = PlanRow(BOTH, halves, known(values), ends, shared, flags)
    return with_freed(row, lambda: _both_numbers(prepared, halves))


def _both_numbers(prepared: PreparedLevel, halves: Sequence[Approach]) -> PlanNumbers:
    """What a left and a right entry free together, each its own half."""
    at = resection_level_of(prepared)
    return both_sides(prepared, at, [resection_of(with_set(at, at.wanted.half(h.side)), h) for h in halves])


def with_freed(row: PlanRow, numbers_of: Callable[[], PlanNumbers]) -> PlanRow:
    """A row with what it frees and the bone that must go for it, exact; the row alone where that cannot be said."""
    try:
        numbers = numbers_of()
    except AnatomyNotFound:
        return row
    values = known({
        "freed": numbers.least_freed_frac,
        "area_after": numbers.least_area_mm2["after"],
        "resection_bone": numbers.bone_mm3,
    })  # fmt: skip
    exact = {name: np.array([value]) for name, value in values.items()}
    return replace(row, values=row.values | values, samples=row.samples | exact, ends=row.ends | dict.fromkeys(values))


def _row_of_midline(prepared: PreparedLevel, samples: PairedSamples) -> PlanRow:
    """No execution errors enter: a laminectomy is done under direct sight."""
    access, region = midline_access(prepared, samples), laminectomy(prepared.anatomy, prepared.level)
    cost = access.cost
    values = known({
        "cone_bone": access.cost.removal.total_mm3,
        **{f"{side}_facet": kept.area_frac for side, kept in cost.facets.items()},
        **{f"{side}_pars": cost.pars[side].residual_mm for side in SIDES},
        "bridge": cost.spinous_base.bridge_mm,
        "canal_after": access.freed.canal_area_after_mm2,
    })  # fmt: skip
    _, after = area_causes(prepared, region)
    still = {SAMPLED[name]: np.zeros(SAMPLES) for name in values}
    noisy = with_noise(
        SampledChanges(still, {}, {}), cost_causes(prepared, cost, region) | {AFTER: after}, samples.seed
    )
    shared = {name: within(name, values[name] + noisy.change[SAMPLED[name]]) for name in values}
    shared["cone_bone"] = access.bone_mm3
    ends: dict[str, Ends] = {name: ends95(shared[name], value) for name, value in values.items()}
    return with_freed(
        PlanRow(MIDLINE, (), values, ends, shared), lambda: midline(prepared, resection_level_of(prepared))
    )


def _ends(exact: Estimate, reported: Intervals) -> dict[str, Ends]:
    """The intervals of a plan's numbers, as `estimator.estimate.estimate_json` tells them."""
    far = other_side(exact.approach.side)
    intervals = {
        "cone_bone": reported.cone.bone_mm3,
        "task_bone": reported.task.bone_mm3,
        **{f"{side}_facet": kept["area_frac"] for side, kept in reported.cone.facets.items()},
        **{f"{side}_pars": reported.cone.pars_mm[side] for side in SIDES},
        "bridge": reported.cone.bridge_mm,
        **({"reach": reported.reach[far]["lateral_mm"]} if far in reported.reach else {}),
        "canal_after": reported.canal_after_mm2,
    }
    reached = mean_reached(exact, reported.spread)
    ends = {name: interval.ends if interval.sd_by_cause else None for name, interval in intervals.items()}
    return ends | {"reached": None if reached is None else ends95(reached, reached_exactly(exact))}


def share95(flags: Mask) -> tuple[float, float]:
    """The 95 % interval of a chance that so many samples tell (Wilson, J Am Stat Assoc 22 (1927) 209; from memory).

    >>> low, high = share95(np.ones(96, dtype=bool))
    >>> round(low, 3), high
    (0.962, 1.0)
    """
    count, share, z2 = len(flags), float(flags.mean()), SD_OF_95**2
    middle = (share + z2 / (2 * count)) / (1 + z2 / count)
    half = SD_OF_95 / (1 + z2 / count) * float(np.sqrt(share * (1 - share) / count + z2 / (4 * count**2)))
    return max(middle - half, 0.0), min(middle + half, 1.0)


def _halves_of(task: Sequence[str]) -> tuple[str, ...]:
    """The task of both sides together: every set of the task that has a counterpart, on either side.

    >>> _halves_of(["contralateral recess", "contralateral foramen entrance"])
    ('ipsilateral recess', 'contralateral recess')
    """
    paired = [name for name in task if name not in FROM_TARGETS or _counterpart(name) in FROM_TARGETS.values()]
    if not paired:
        raise WrongUse("both sides together", "must be compared for targets that lie on both sides", got=list(task))
    return of_both_halves(paired)


def _counterpart(name: str) -> tuple[bool, str]:
    across, which = FROM_TARGETS[name]
    return not across, which
