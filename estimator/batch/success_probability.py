"""Of several plans, the one that a hand is likeliest to carry out within the limits and reaching what is asked."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.execution_errors import ExecutionErrors, causes_of, disturbed
from canalwise.estimator.approach.table import ApproachTable, joined
from canalwise.estimator.batch.outcomes import outcomes
from canalwise.estimator.batch.score import score_in_force
from canalwise.estimator.interval import ENDS
from canalwise.estimator.level.task_level import TaskLevel
from canalwise.recon.grid import Float


@dataclass(frozen=True)
class SuccessProbability:
    """Chances of one plan under errors of the hand: that all limits are kept, that enough is reached, and both at once.

    `bone95_mm3`: between which 95 % of the copies' bone lies.
    """

    limits_kept: float
    reached: float
    both: float
    bone95_mm3: tuple[float, float]


@dataclass(frozen=True)
class ExecutionSampler:
    """How plans are tried: so many copies of each, from a seed, with which errors; alike for every plan."""

    samples: int = 256
    seed: int = 0
    errors: ExecutionErrors = field(default_factory=ExecutionErrors)

    def normals(self, phases: int) -> Float:
        """(samples, K) array of errors in standard deviations, the same at every call."""
        return np.random.default_rng(self.seed).standard_normal((self.samples, len(causes_of(phases))))


def success_of(
    task_level: TaskLevel, approach: Approach, allowed_frac: float, hand: ExecutionSampler
) -> SuccessProbability:
    """The chances of one plan; enough is reached where no more than `allowed_frac` is missed.

    Limits are those in force, not the batch's guarded ones; all plans meet the same errors, so that differences
    between plans are theirs and not the draw's.
    """
    return success_among(task_level, disturbed(approach, hand.errors, hand.normals(len(approach.phases))), allowed_frac)


def success_among(task_level: TaskLevel, copies: ApproachTable, allowed_frac: float) -> SuccessProbability:
    """The chances that the disturbed copies of one plan tell of."""
    found = score_in_force(task_level, outcomes(task_level.scene, copies))
    reached = found.missed_frac <= allowed_frac
    low, high = np.quantile(found.bone_mm3, ENDS)
    kept, enough, both = (float(share.mean()) for share in (found.kept, reached, found.kept & reached))
    return SuccessProbability(kept, enough, both, (float(low), float(high)))


def failures_of(
    task_level: TaskLevel, table: ApproachTable, allowed_frac: float, hand: ExecutionSampler
) -> tuple[Float, Float]:
    """Of every approach of a table, (A,) share of its disturbed copies that fail, and (A,) mean bone of the copies."""
    normals = hand.normals(len(table.phase_names))
    copies = joined([disturbed(table.approach(row), hand.errors, normals) for row in range(len(table))])
    found = score_in_force(task_level, outcomes(task_level.scene, copies))
    failed = ~found.kept | (found.missed_frac > allowed_frac)
    shape = (len(table), hand.samples)
    return failed.reshape(shape).mean(axis=1), found.bone_mm3.reshape(shape).mean(axis=1)


def likeliest(tried: list[SuccessProbability], bone_mm3: list[float]) -> int:
    """Index of the plan with the greatest chance of both; of equal ones the one that takes least bone.

    >>> certain, risky = SuccessProbability(1.0, 0.9, 0.9, (0.0, 1.0)), SuccessProbability(0.6, 0.9, 0.5, (0.0, 1.0))
    >>> likeliest([risky, certain, certain], [700.0, 900.0, 800.0])
    2
    """
    return max(range(len(tried)), key=lambda i: (tried[i].both, -bone_mm3[i]))
