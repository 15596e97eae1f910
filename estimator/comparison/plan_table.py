"""Plans of one level side by side: each one's numbers, and by how much it differs from the first.

A difference rests on samples that all rows meet alike (`estimator.comparison.accesses.PairedSamples`): the same borders
and, from one side, the same hand. What is unsure of both in the same way then cancels, and its interval is narrower
than theirs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from canalwise.estimator.approach.approach import Approach, other_side
from canalwise.estimator.comparison.accesses import (
    BOTH,
    MIDLINE,
    SAMPLES,
    PairedSamples,
    joined_plans,
    midline_access,
    of_both_halves,
    samples_of,
)
from canalwise.estimator.comparison.paired_samples import (
    CHANCES,
    SAMPLED,
    known,
    mean_reached,
    paired_changes,
    values_of,
    within,
)
from canalwise.estimator.estimate.estimate import Estimate, estimate_of
from canalwise.estimator.estimate.intervals import AFTER, Intervals, area_causes, cost_causes, intervals_of
from canalwise.estimator.estimate.monte_carlo import SampledChanges, with_noise
from canalwise.estimator.estimate.probabilities import successes_of, wanted_of
from canalwise.estimator.geometry.level_arrays import F64
from canalwise.estimator.interval import SD_OF_95, Ends, ends95
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.level.target_names import (
    FROM_TARGETS,
    NAMES,
    chosen,
)
from canalwise.estimator.removal.midline_laminectomy import laminectomy
from canalwise.estimator.search.best_approach import reached_exactly
from canalwise.recon.errors import WrongUse
from canalwise.recon.labels import SIDES, Mask

MOST = 4
"""Plans that can be taken in side by side (choice)."""


@dataclass(frozen=True)
class PlanTableTask:
    """What is held against each other.

    Parameters
    ----------
    plans : one to MOST, of one level; the first is what the others are told against
    task : the sets of `estimator.level.target_names` to be touched
    midline : a midline laminectomy too, as a reference?
    both : the first left and the first right plan's ipsilateral phases together too? They share one instrument
    """

    plans: tuple[Approach, ...]
    task: tuple[str, ...] = NAMES
    midline: bool = False
    both: bool = False
    seed: int = 0

    def __post_init__(self) -> None:
        chosen(self.task)
        if not 1 <= len(self.plans) <= MOST:
            raise WrongUse("plans held against each other", f"must be 1 to {MOST}", got=len(self.plans))
        if len({plan.level for plan in self.plans}) > 1:
            levels = sorted({plan.level for plan in self.plans})
            raise WrongUse("plans held against each other", "must be of one level", got=levels)
        if self.both and {plan.side for plan in self.plans} != set(SIDES):
            raise WrongUse("both sides together", "must be given a plan from the left and one from the right")
        if self.both and len({half.channel for half in self.halves}) > 1:
            raise WrongUse("both sides together", "must be entered with one instrument")

    @property
    def halves(self) -> tuple[Approach, ...]:
        """The ipsilateral phase alone of the first left and the first right plan."""
        firsts = [next(plan for plan in self.plans if plan.side == side) for side in SIDES]
        return tuple(replace(plan, phases=plan.phases[:1]) for plan in firsts)

    @property
    def phases(self) -> int:
        """Of the plan that has most."""
        return max(2, *(len(plan.phases) for plan in self.plans))


@dataclass(frozen=True, eq=False)
class PlanRow:
    """One way in.

    Parameters
    ----------
    plans : the approaches it consists of; none for a midline laminectomy
    values : name of a quantity -> its number; only what the way has and the scan shows
    ends : name -> 95 % interval, None where nothing makes it uncertain
    samples : name -> (N,) array, in each of the samples that all rows share
    flags : name of a chance -> (N,) array, does that sample succeed?
    """

    name: str
    plans: tuple[Approach, ...]
    values: dict[str, float]
    ends: dict[str, Ends]
    samples: dict[str, F64] = field(default_factory=dict)
    flags: dict[str, Mask] = field(default_factory=dict)

    def difference(self, first: PlanRow, name: str) -> tuple[float, tuple[float, float]] | None:
        """How much more of a quantity than the first, with its 95 % interval; None where either has none."""
        if name not in self.values or name not in first.values:
            return None
        more = self.values[name] - first.values[name]
        if name in self.flags and name in first.flags:
            return more, _mean95(more, self.flags[name].astype(float) - first.flags[name])
        if name not in self.samples or name not in first.samples:
            return None
        return more, ends95(self.samples[name] - first.samples[name], more)


def _mean95(value: float, changes: F64) -> tuple[float, float]:
    """The 95 % interval of a mean that so many samples tell."""
    half = SD_OF_95 * float(changes.std() / np.sqrt(len(changes)))
    return value - half, value + half


def pinned(
    prepared: PreparedLevel, pinning: PlanTableTask, progress: Callable[[int], None] = lambda _: None
) -> tuple[PlanRow, ...]:
    """The plans, then both sides together, then the midline laminectomy, as far as asked for.

    Parameters
    ----------
    progress : told how many rows are done

    Raises
    ------
    WrongUse : both sides are asked for a task that lies on one only
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
    return PlanRow(plan.side, (plan,), known(values), ends, shared, flags)


def _row_of_both(prepared: PreparedLevel, pinning: PlanTableTask, samples: PairedSamples) -> PlanRow:
    halves = pinning.halves
    exact = estimate_of(prepared, joined_plans(halves).approach(0), _halves_of(pinning.task))
    shared, flags = paired_changes(exact, halves, samples, _halves_of(wanted_of(chosen(pinning.task))))
    # two entries have no other side to reach over to
    values = {name: value for name, value in values_of(exact).items() if name != "reach"}
    values |= {name: float(of.mean()) for name, of in flags.items()}
    ends: dict[str, Ends] = {name: ends95(shared[name], values[name]) for name in shared if name in values}
    ends |= {name: share95(of) for name, of in flags.items()}
    return PlanRow(BOTH, halves, known(values), ends, shared, flags)


def _row_of_midline(prepared: PreparedLevel, samples: PairedSamples) -> PlanRow:
    """The hand's errors are not asked of it: a laminectomy is laid out under the eye."""
    way, region = midline_access(prepared, samples), laminectomy(prepared.anatomy, prepared.level)
    cost = way.cost
    values = known({
        "cone_bone": way.total_mm3,
        **{f"{side}_facet": kept.area_frac for side, kept in cost.facets.items()},
        **{f"{side}_pars": cost.pars[side].residual_mm for side in SIDES},
        "bridge": cost.spinous_base.bridge_mm,
        "canal_after": way.freed.canal_area_after_mm2,
    })  # fmt: skip
    _, after = area_causes(prepared, region)
    still = {SAMPLED[name]: np.zeros(SAMPLES) for name in values}
    noisy = with_noise(
        SampledChanges(still, {}, {}), cost_causes(prepared, cost, region) | {AFTER: after}, samples.seed
    )
    shared = {name: within(name, values[name] + noisy.change[SAMPLED[name]]) for name in values}
    shared["cone_bone"] = way.bone_mm3
    ends: dict[str, Ends] = {name: ends95(shared[name], value) for name, value in values.items()}
    return PlanRow(MIDLINE, (), values, ends, shared)


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
    """What both sides together are asked: every set of the task that has a counterpart, on either side.

    >>> _halves_of(["contralateral recess", "contralateral foramen entrance"])
    ('ipsilateral recess', 'contralateral recess')
    """
    paired = [name for name in task if name not in FROM_TARGETS or _counterpart(name) in FROM_TARGETS.values()]
    if not paired:
        raise WrongUse("both sides together", "must be asked for targets that lie on both sides", got=list(task))
    return of_both_halves(paired)


def _counterpart(name: str) -> tuple[bool, str]:
    across, which = FROM_TARGETS[name]
    return not across, which
