"""Of several plans, the one that a hand is likeliest to carry out within the limits and reaching what is asked."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from estimator.approach import Approach
from estimator.approach_table import ApproachTable, joined
from estimator.asked import AskedLevel
from estimator.batch import outcomes
from estimator.execution import ExecutionErrors, causes_of, disturbed
from estimator.interval import ENDS
from estimator.standing import standing_in_force
from recon.grid import Float


@dataclass(frozen=True)
class Success:
    """Chances of one plan under errors of the hand: that all limits are kept, that enough is reached, and both at once.

    `bone95_mm3`: between which 95 % of the copies' bone lies.
    """

    limits_kept: float
    reached: float
    both: float
    bone95_mm3: tuple[float, float]


@dataclass(frozen=True)
class Hand:
    """How plans are tried: so many copies of each, from a seed, with which errors; alike for every plan."""

    samples: int = 256
    seed: int = 0
    errors: ExecutionErrors = field(default_factory=ExecutionErrors)

    def normals(self, phases: int) -> Float:
        """(samples, K) array of errors in standard deviations, the same at every call."""
        return np.random.default_rng(self.seed).standard_normal((self.samples, len(causes_of(phases))))


def success_of(asked: AskedLevel, approach: Approach, allowed_frac: float, hand: Hand) -> Success:
    """The chances of one plan; enough is reached where no more than `allowed_frac` is missed.

    Limits are those in force, not the batch's guarded ones; all plans meet the same errors, so that differences
    between plans are theirs and not the draw's.
    """
    return success_among(asked, disturbed(approach, hand.errors, hand.normals(len(approach.phases))), allowed_frac)


def success_among(asked: AskedLevel, copies: ApproachTable, allowed_frac: float) -> Success:
    """The chances that the disturbed copies of one plan tell of."""
    found = standing_in_force(asked, outcomes(asked, copies))
    reached = found.missed_frac <= allowed_frac
    low, high = np.quantile(found.bone_mm3, ENDS)
    kept, enough, both = (float(share.mean()) for share in (found.kept, reached, found.kept & reached))
    return Success(kept, enough, both, (float(low), float(high)))


def failures_of(asked: AskedLevel, table: ApproachTable, allowed_frac: float, hand: Hand) -> tuple[Float, Float]:
    """Of every approach of a table, (A,) share of its disturbed copies that fail, and (A,) mean bone of the copies."""
    normals = hand.normals(len(table.phase_names))
    copies = joined([disturbed(table.approach(row), hand.errors, normals) for row in range(len(table))])
    found = standing_in_force(asked, outcomes(asked, copies))
    failed = ~found.kept | (found.missed_frac > allowed_frac)
    shape = (len(table), hand.samples)
    return failed.reshape(shape).mean(axis=1), found.bone_mm3.reshape(shape).mean(axis=1)


def likeliest(tried: list[Success], bone_mm3: list[float]) -> int:
    """Index of the plan with the greatest chance of both; of equal ones the one that takes least bone.

    >>> certain, risky = Success(1.0, 0.9, 0.9, (0.0, 1.0)), Success(0.6, 0.9, 0.5, (0.0, 1.0))
    >>> likeliest([risky, certain, certain], [700.0, 900.0, 800.0])
    2
    """
    return max(range(len(tried)), key=lambda i: (tried[i].both, -bone_mm3[i]))
