"""How often a hand succeeds with a plan: a few disturbed copies of it, each resected coarsely.

A copy counts as freed by its own coarse share, corrected by what the coarse form is off at the plan itself. Limits are
those of the plan: a copy's are not looked at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.execution_errors import ExecutionErrors, causes_of, disturbed
from canalwise.estimator.interval import ENDS
from canalwise.estimator.outcome.plan_numbers import PlanNumbers
from canalwise.estimator.resection.coarse import CLOSE, coarse_resections
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask

COPIES = 16
"""Copies of a plan: its chance is known to about a tenth (choice)."""


@dataclass(frozen=True, eq=False)
class PlanChance:
    """Chances of one plan under errors of the hand.

    Parameters
    ----------
    freed, kept, both : shares of the copies that free enough, of those that keep limits (the plan's own), of both
    bone95_mm3 : between which 95 % of the copies' bone lies
    bone_mm3, success : (COPIES,) arrays, of each; copies of all plans meet the same errors
    """

    freed: float
    kept: float
    both: float
    bone95_mm3: tuple[float, float]
    bone_mm3: Float
    success: Mask


def chance_of(at: ResectionLevel, plan: Approach, numbers: PlanNumbers, seed: int) -> PlanChance:
    """The chances of one plan; the same seed gives every plan the same errors."""
    return chance_of_copies(at, plan, numbers, copies_of(plan, seed))


def copies_of(plan: Approach, seed: int, errors: ExecutionErrors | None = None) -> list[Approach]:
    """COPIES copies of a plan as hands lay it."""
    normals = np.random.default_rng(seed).standard_normal((COPIES, len(causes_of(len(plan.phases)))))
    table = disturbed(plan, errors or ExecutionErrors(), normals)
    return [table.approach(row) for row in range(COPIES)]


def chance_of_copies(
    at: ResectionLevel, plan: Approach, numbers: PlanNumbers, copies: Sequence[Approach]
) -> PlanChance:
    """The chances that some copies tell of."""
    found = coarse_resections(at, [plan, *copies], CLOSE)
    enough = at.rules.value("freed_enough_frac")
    off = numbers.least_freed_frac - float(found.least_frac[0])
    freed = found.least_frac[1:] + off >= enough
    bone = numbers.bone_mm3 * found.weighted_mm3[1:] / max(float(found.weighted_mm3[0]), 1e-9)
    kept = float(numbers.verdict.kept)
    low, high = (float(end) for end in np.quantile(bone, ENDS))
    share = float(freed.mean())
    return PlanChance(share, kept, share * kept, (low, high), bone, freed & numbers.verdict.kept)
