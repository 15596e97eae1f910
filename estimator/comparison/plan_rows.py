"""Rows of a comparison of plans: numbers of each with their samples."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.geometry.level_arrays import F64
from canalwise.estimator.interval import SD_OF_95, Ends, ends95
from canalwise.estimator.level.target_names import NAMES, chosen
from canalwise.recon.errors import WrongUse
from canalwise.recon.labels import SIDES, Mask

MOST = 4
"""Plans that can be taken in side by side (choice)."""


@dataclass(frozen=True)
class PlanTableTask:
    """Task of a comparison of plans.

    Parameters
    ----------
    plans : one to MOST, of one level; the first is the reference of the others
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
    """One access.

    Parameters
    ----------
    plans : the approaches it consists of; none for a midline laminectomy
    values : name of a quantity -> its number; only what the access has and the scan shows
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
        """Difference of a quantity from the first, with its 95 % interval; None where either has none."""
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
