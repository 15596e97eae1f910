"""Chance of success of a plan under execution errors, and the distribution of the bone it removes.

Chances are those that an estimate of the plan reports (`estimator.execution`): simulated executions, each worked out
exactly, with the same draws for every plan. Differences between accesses need the bone of one execution beside that of
another plan's: for them a few copies entered with execution errors are resected coarsely, with the same draws for all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.execution_errors import ExecutionErrors, causes_of, disturbed
from canalwise.estimator.execution.resection_intervals import resection_intervals
from canalwise.estimator.execution.uncertainty_values import HandTrial
from canalwise.estimator.interval import ends95
from canalwise.estimator.outcome.decompressed import DecompressedLevel
from canalwise.estimator.resection.coarse import CLOSE, coarse_resections
from canalwise.recon.grid import Float

COPIES = 16
"""Copies of a plan of which the bone is reported (choice)."""


@dataclass(frozen=True, eq=False)
class PlanChance:
    """Chances of one plan under execution errors.

    Parameters
    ----------
    freed, kept, both : shares of the executions that free enough, keep every limit, do both; where a joint was not
        resolved `kept` is None, and `both` is that of `freed`
    executions : number of simulated executions that these are shares of
    bone_mm3 : (COPIES,) array, bone of copies entered with execution errors, the same errors for every plan
    bone95_mm3 : between which 95 % of these lie, the plan's own included
    """

    freed: float
    kept: float | None
    both: float
    executions: int
    bone_mm3: Float
    bone95_mm3: tuple[float, float]


def chance_of(found: DecompressedLevel, seed: int) -> PlanChance:
    """The chances of one plan; the same seed gives every plan the same errors."""
    reported = resection_intervals(found, HandTrial(seed=seed)).chances
    bone = bone_of_copies(found, seed)
    both = reported.freed if reported.both is None else reported.both
    return PlanChance(reported.freed, reported.kept, both, reported.samples, bone, ends95(bone, found.cost.total_mm3))


def bone_of_copies(found: DecompressedLevel, seed: int) -> Float:
    """(COPIES,) array: bone of copies, by how much more of it at its price the coarse form takes than of the plan."""
    plan, at = found.resection.approach, found.resection.at
    weighted = coarse_resections(at, [plan, *copies_of(plan, seed)], CLOSE).weighted_mm3
    return np.asarray(found.cost.total_mm3 * weighted[1:] / max(float(weighted[0]), 1e-9))


def copies_of(plan: Approach, seed: int, errors: ExecutionErrors | None = None) -> list[Approach]:
    """COPIES copies of a plan, each entered with other execution errors.

    >>> from canalwise.estimator.approach.approach import Phase
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, (Phase("ipsilateral", 0.0),))
    >>> copies = copies_of(plan, seed=0)
    >>> len(copies), copies == copies_of(plan, seed=0), plan in copies
    (16, True, False)
    """
    normals = np.random.default_rng(seed).standard_normal((COPIES, len(causes_of(len(plan.phases)))))
    table = disturbed(plan, errors or ExecutionErrors(), normals)
    return [table.approach(row) for row in range(COPIES)]
