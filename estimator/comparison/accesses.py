"""Ways in held against each other on the best plans found: each side, both sides, and a midline laminectomy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.execution_errors import ExecutionErrors, causes_of, disturbed
from canalwise.estimator.approach.table import ApproachTable, pivots_level_mm
from canalwise.estimator.batch.outcomes import ErrorShifts, taken_by_all
from canalwise.estimator.batch.success_probability import SuccessProbability, success_among
from canalwise.estimator.estimate.estimate import Cost, Estimate, cost_of, estimate_of
from canalwise.estimator.interval import SD_OF_95, ends95
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.level.task_level import TaskLevel, level_for_task
from canalwise.estimator.planning.canal_entry import canal_entry_of
from canalwise.estimator.planning.pivot_constraint import repeated, with_pivots
from canalwise.estimator.removal.bone_removal import LevelBone, removal_of
from canalwise.estimator.removal.canal_area import CanalAreaChange, decompression_of
from canalwise.estimator.removal.midline_laminectomy import laminectomy
from canalwise.estimator.removal.target_names import FROM_TARGETS
from canalwise.estimator.search.best_approach import SearchTask, reached_exactly, search
from canalwise.estimator.search.exploration import Progress
from canalwise.recon.errors import AnatomyNotFound, WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Side

BOTH, MIDLINE = "both sides", "midline laminectomy"

SAMPLES = 512
"""Times the same hand lays every way in, on the same borders."""

NEAR_SHARE = 1.0 / 6.0
"""Share of the budget for the one phase of each side that both sides are made of; each side alone takes the double."""


@dataclass(frozen=True, eq=False)
class AccessResult:
    """One way in on its best plan.

    Parameters
    ----------
    plans : the approaches it consists of; none for a midline laminectomy
    cost, freed : of the whole sweep, exact
    reached_frac : mean over the asked sets of the share touched; NaN where the way is not through a channel
    bone_mm3 : (N,) array, bone taken in each of the samples that all ways share, centred on the exact number
    success_by_execution : chances under errors of the hand; None where the way is not through a channel
    """

    name: str
    plans: tuple[Approach, ...]
    cost: Cost
    freed: CanalAreaChange
    reached_frac: float
    bone_mm3: Float
    success_by_execution: SuccessProbability | None

    @property
    def total_mm3(self) -> float:
        """Bone taken, exact."""
        return self.cost.removal.total_mm3

    @property
    def interval95_mm3(self) -> tuple[float, float]:
        """Between which 95 % of the samples lie; the number itself is never left out."""
        return ends95(self.bone_mm3, self.total_mm3)


@dataclass(frozen=True, eq=False)
class AccessComparison:
    """The ways in at one level, for the same targets; `task` names them, `stopped` tells of a search cut short."""

    level: str
    task: tuple[str, ...]
    ways: tuple[AccessResult, ...]
    stopped: bool

    def __repr__(self) -> str:
        ended = ", stopped early" if self.stopped else ""
        return f"<AccessComparison {self.level}: {', '.join(way.name for way in self.ways)}{ended}>"

    def way(self, name: str) -> AccessResult | None:
        """The way of that name; None where the anatomy does not allow it."""
        return next((way for way in self.ways if way.name == name), None)


@dataclass(frozen=True, eq=False)
class PairedSamples:
    """What all ways meet alike: the hand's errors and the positions of borders, in standard deviations.

    `execution_sampler_of` (N, K) for the entry on that side; `border_mm`, `sac_mm`, `canal_mm` (N,) how much further in
    all bone borders, how much nearer the sac and how much further out the canal's wall lie; `seed` of all these.
    """

    execution_sampler_of: dict[Side, Float]
    border_mm: Float
    sac_mm: Float
    canal_mm: Float
    seed: int


def samples_of(prepared: PreparedLevel, seed: int, phases: int = 2) -> PairedSamples:
    """SAMPLES draws for so many phases; the two sides' errors are independent, for each is entered anew."""
    rng, border_uncertainty = np.random.default_rng(seed), prepared.border_uncertainty
    hand = {side: rng.standard_normal((SAMPLES, len(causes_of(phases)))) for side in SIDES}
    border, sac = rng.standard_normal((2, SAMPLES))
    canal = rng.standard_normal(SAMPLES)
    return PairedSamples(
        hand,
        border * border_uncertainty.bone_mm,
        sac * border_uncertainty.sac_mm,
        canal * border_uncertainty.canal_here_mm,
        seed,
    )


def copies_of(
    plans: Sequence[Approach], errors: ExecutionErrors, execution_sampler_of: Mapping[Side, Float]
) -> ApproachTable:
    """A plan, or the first phases of a left and a right one together, as each of the samples' hands lays it."""
    entries = [
        disturbed(one, errors, execution_sampler_of[one.side][:, : len(causes_of(len(one.phases)))]) for one in plans
    ]
    return entries[0] if len(entries) == 1 else both_entries(entries[0], entries[1])


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


def of_both_halves(task: Sequence[str]) -> tuple[str, ...]:
    """The task with every set of one half joined by that of the other; WrongUse where the other half has none.

    >>> of_both_halves(["contralateral recess"])
    ('ipsilateral recess', 'contralateral recess')
    """
    which = {FROM_TARGETS[name][1] for name in task if name in FROM_TARGETS}
    names = [name for name, (_, kind) in FROM_TARGETS.items() if kind in which]
    lonely = [name for name in names if (not FROM_TARGETS[name][0], FROM_TARGETS[name][1]) not in FROM_TARGETS.values()]
    if lonely:
        raise WrongUse("the task", "of a comparison must lie on both sides", got=lonely[0])
    return (*names, *(name for name in task if name not in FROM_TARGETS))


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
    taken = taken_by_all(task_level.base, copies, ErrorShifts(sac_mm=samples.sac_mm, targets_mm=np.zeros(SAMPLES)))
    nominal = taken_by_all(task_level.base, joined_plans(plans)).bone_mm3[0]
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


def joined_plans(plans: Sequence[Approach]) -> ApproachTable:
    """One row: a plan, or the first phases of a left and a right one together."""
    tables = [repeated(plan, 1) for plan in plans]
    return tables[0] if len(tables) == 1 else both_entries(tables[0], tables[1])


def both_entries(left: ApproachTable, right: ApproachTable) -> ApproachTable:
    """Approaches of one phase from the left, and of one from the right, as approaches of two phases.

    The second phase is told as from the left: its medial tilt changes sign, its pivot keeps its place, and its depths
    are counted from the first one's pivot distance.
    """
    deeper = (right.pivot_distance_mm - left.pivot_distance_mm)[:, None]
    pivots = np.concatenate([pivots_level_mm(left), pivots_level_mm(right)], axis=1)
    columns = {
        "medial_deg": [left.medial_deg, -right.medial_deg],
        "cranial_deg": [left.cranial_deg, right.cranial_deg],
        "sweep_deg": [left.sweep_deg, right.sweep_deg],
        "sleeve_past_mm": [left.sleeve_past_mm, right.sleeve_past_mm + deeper],
        "tip_past_mm": [left.tip_past_mm, right.tip_past_mm + deeper],
    }
    both: dict[str, Any] = {name: np.concatenate(pair, axis=1) for name, pair in columns.items()}
    names = ("from the left", "from the right")
    return with_pivots(replace(left, phase_names=names, shift_mm=np.zeros_like(pivots), **both), pivots)


def _from_both(
    prepared: PreparedLevel, near: Sequence[Approach], task: Sequence[str], samples: PairedSamples
) -> AccessResult:
    exact = estimate_of(prepared, joined_plans(near).approach(0), task)
    copies = copies_of(near, ExecutionErrors(), samples.execution_sampler_of)
    return _way(BOTH, tuple(near), (exact, copies, level_for_task(prepared, "left", task), 0.0), samples)


def midline_access(prepared: PreparedLevel, samples: PairedSamples) -> AccessResult:
    """A midline laminectomy, as a reference."""
    region = laminectomy(prepared.anatomy, prepared.level)
    cost = cost_of(prepared, region)
    thin: LevelBone = prepared.thinner.level_bone
    per_mm = (cost.removal.total_mm3 - removal_of(thin, region).total_mm3) / (
        SD_OF_95 * prepared.border_uncertainty.bone_mm
    )
    bone = np.maximum(cost.removal.total_mm3 - samples.border_mm * per_mm, 0.0)
    freed = decompression_of(prepared.pressing, region, cost.removal)
    return AccessResult(MIDLINE, (), cost, freed, float("nan"), bone, None)
