"""Ways in held against each other on the best plans found: each side, both sides, and a midline laminectomy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.execution_errors import ExecutionErrors
from canalwise.estimator.approach.table import ApproachTable
from canalwise.estimator.batch.outcomes import ErrorShifts, taken_by_all
from canalwise.estimator.batch.success_probability import success_among
from canalwise.estimator.comparison.access_results import BOTH, AccessComparison, AccessResult
from canalwise.estimator.comparison.midline_access import midline_access
from canalwise.estimator.comparison.paired_samples import SAMPLES, PairedSamples, copies_of, joined_plans, samples_of
from canalwise.estimator.estimate.estimate import Estimate, estimate_of
from canalwise.estimator.estimate.task_reach import reached_exactly
from canalwise.estimator.level.prepared_level import PreparedLevel, level_for_task
from canalwise.estimator.level.target_names import FROM_TARGETS, of_both_halves
from canalwise.estimator.level.task_level import TaskLevel
from canalwise.estimator.planning.canal_entry import canal_entry_of
from canalwise.estimator.search.best_approach import search
from canalwise.estimator.search.exploration import Progress
from canalwise.estimator.search.strategies import SearchTask
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.labels import SIDES, Side

NEAR_SHARE = 1.0 / 6.0
"""Share of the budget for the one phase of each side that both sides are made of; each side alone takes the double."""


def compared_accesses(
    prepared: PreparedLevel, question: SearchTask, progress: Progress = lambda _: None
) -> AccessComparison:
    """The best plan of each side, the two ipsilateral phases together, and a midline laminectomy, as far as in view.

    Both sides are searched apart, each for its own half of the targets, and count together.

    Raises
    ------
    AnatomyNotFound : neither side can be docked on, or no target is in view
    WrongUse : a target that is asked of one side only
    """
    task = of_both_halves(question.task)
    sides = [side for side in question.sides if canal_entry_of(prepared.level, side) is not None]
    if not sides:
        raise AnatomyNotFound(
            f"interlaminar window {prepared.level.name}", "or the lamina edges must be in view on at least one side"
        )
    samples, ways, stopped = samples_of(prepared, question.seed), [], False
    for side in sides:
        mine = replace(question, sides=(side,), task=task, budget=round(2 * NEAR_SHARE * question.budget))
        found = search(prepared, mine, progress)
        stopped |= found.stopped
        copies = copies_of((found.best.approach,), ExecutionErrors(), samples.execution_sampler_of)
        reported = (found.best.estimate, copies, level_for_task(prepared, side, task), found.allowed_frac)
        ways.append(_way(side, (found.best.approach,), reported, samples))
    if len(sides) == len(SIDES):
        near = [_near(prepared, question, side, task, progress) for side in SIDES]
        ways.append(_from_both(prepared, near, task, samples))
    return AccessComparison(prepared.level.name, task, (*ways, midline_access(prepared, samples)), stopped)


def _near(
    prepared: PreparedLevel, question: SearchTask, side: Side, task: Sequence[str], progress: Progress
) -> Approach:
    """The best plan to free one side's own half from that side."""
    own = tuple(name for name in task if not FROM_TARGETS.get(name, (False, ""))[0])
    half = replace(question, sides=(side,), task=own, budget=round(NEAR_SHARE * question.budget), near_only=True)
    return search(prepared, half, progress).best.approach


def _way(
    name: str,
    plans: tuple[Approach, ...],
    reported: tuple[Estimate, ApproachTable, TaskLevel, float],
    samples: PairedSamples,
) -> AccessResult:
    exact, copies, task_level, allowed_frac = reported
    taken = taken_by_all(task_level.scene, copies, ErrorShifts(sac_mm=samples.sac_mm, targets_mm=np.zeros(SAMPLES)))
    nominal = taken_by_all(task_level.scene, joined_plans(plans)).bone_mm3[0]
    bone = exact.cone.removal.total_mm3 + taken.bone_mm3 - samples.border_mm * taken.bone_per_mm - nominal
    success_by_execution = success_among(task_level, copies, allowed_frac)
    return AccessResult(
        name,
        plans,
        exact.cone,
        exact.decompression,
        reached_exactly(exact),
        np.maximum(bone, 0.0),
        success_by_execution,
    )


def _from_both(
    prepared: PreparedLevel, near: Sequence[Approach], task: Sequence[str], samples: PairedSamples
) -> AccessResult:
    exact = estimate_of(prepared, joined_plans(near).approach(0), task)
    copies = copies_of(near, ExecutionErrors(), samples.execution_sampler_of)
    return _way(BOTH, tuple(near), (exact, copies, level_for_task(prepared, "left", task), 0.0), samples)
