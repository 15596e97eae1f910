"""How often a hand succeeds with a plan, and what bone it then takes.

Chances are those that an estimate of the plan tells (`estimator.execution`): hands carried out exactly, with the same
draws for every plan. For differences between ways in, which need the bone of one hand beside that of another, a few
copies entered elsewhere by a hand's errors are resected coarsely; they too meet the same draws.
"""

from __future__ import annotations

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.execution_errors import ExecutionErrors, causes_of, disturbed
from canalwise.estimator.execution.resection_intervals import resection_intervals
from canalwise.estimator.execution.uncertainty_values import HandTrial
from canalwise.estimator.interval import ends95
from canalwise.estimator.outcome.decompressed import DecompressedLevel
from canalwise.estimator.resection.coarse import CLOSE, coarse_resections
from canalwise.estimator.search.search_values import PlanChance
from canalwise.recon.grid import Float

COPIES = 16
"""Copies of a plan whose bone is told (choice)."""


def chance_of(found: DecompressedLevel, seed: int) -> PlanChance:
    """The chances of one plan; the same seed gives every plan the same errors."""
    told = resection_intervals(found, HandTrial(seed=seed)).chances
    bone = bone_of_copies(found, seed)
    both = told.freed if told.both is None else told.both
    return PlanChance(told.freed, told.kept, both, told.samples, bone, ends95(bone, found.cost.total_mm3))


def bone_of_copies(found: DecompressedLevel, seed: int) -> Float:
    """(COPIES,) array: bone of copies, by how much more of it at its price the coarse form takes than of the plan."""
    plan, at = found.resection.approach, found.resection.at
    weighted = coarse_resections(at, [plan, *copies_of(plan, seed)], CLOSE).weighted_mm3
    return np.asarray(found.cost.total_mm3 * weighted[1:] / max(float(weighted[0]), 1e-9))


def copies_of(plan: Approach, seed: int, errors: ExecutionErrors | None = None) -> list[Approach]:
    """COPIES copies of a plan as hands enter it."""
    normals = np.random.default_rng(seed).standard_normal((COPIES, len(causes_of(len(plan.phases)))))
    table = disturbed(plan, errors or ExecutionErrors(), normals)
    return [table.approach(row) for row in range(COPIES)]
