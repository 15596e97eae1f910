"""Chance of success of a plan under execution errors, and the bone that it then removes.

Chances, and the interval of the bone, are those of the plan's estimate (`estimator.execution`): simulated executions
worked out exactly, with the same draws for every plan. For differences between plans, which need the bone of one
execution beside that of another, a few copies entered with execution errors are resected coarsely; they too meet the
same draws.
"""

from __future__ import annotations

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.execution_errors import ExecutionErrors, causes_of, disturbed
from canalwise.estimator.execution.resection_numbers import BONE_MM3, WorkedOut
from canalwise.estimator.execution.uncertainty_values import ResectionIntervals
from canalwise.estimator.resection.coarse import CLOSE, coarse_resections
from canalwise.estimator.search.search_values import PlanChance
from canalwise.recon.grid import Float

COPIES = 16
"""Copies of a plan whose bone is worked out (choice)."""


def chance_of(found: WorkedOut, executed: ResectionIntervals, seed: int) -> PlanChance:
    """The chances of one plan, what its executions come to given; the same seed gives every plan the same errors."""
    chances, bone = executed.chances, bone_of_copies(found, seed)
    both = chances.freed if chances.both is None else chances.both
    ends = executed.intervals[BONE_MM3].ends
    return PlanChance(chances.freed, chances.kept, both, chances.samples, bone, ends)


def bone_of_copies(found: WorkedOut, seed: int) -> Float:
    """(COPIES,) array: bone of copies, by how much more of it at its price the coarse form takes than of the plan."""
    plan, at = found.resection.approach, found.resection.at
    weighted = coarse_resections(at, [plan, *copies_of(plan, seed)], CLOSE).weighted_mm3
    return np.asarray(found.cost.total_mm3 * weighted[1:] / max(float(weighted[0]), 1e-9))


def copies_of(plan: Approach, seed: int, errors: ExecutionErrors | None = None) -> list[Approach]:
    """COPIES copies of a plan as entered with execution errors."""
    normals = np.random.default_rng(seed).standard_normal((COPIES, len(causes_of(len(plan.phases)))))
    table = disturbed(plan, errors or ExecutionErrors(), normals)
    return [table.approach(row) for row in range(COPIES)]
