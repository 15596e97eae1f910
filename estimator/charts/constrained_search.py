"""The least bone for what must be reached, asked of many cells at once: entries, or instruments.

A cell holds everything of an approach but its tilts and sweeps. Those are found coarse to fine, one phase at a time,
for the phases touch each other little, then both together: first a few about the direction to the targets, then
random steps that shorten, each cell trying also what its neighbours found best.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.table import ApproachTable
from canalwise.estimator.batch.outcomes import outcomes
from canalwise.estimator.batch.outcomes_by_relation import (
    OutcomesByRelation,
    RequiredTargets,
    excess_frac,
    margins_frac,
    outcomes_by_relation,
    pars_before_mm,
)
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.limit_rules import RELATIONS
from canalwise.estimator.planning.pivot_constraint import one_phase
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side

VARIED = ("near medial", "near cranial", "near sweep", "far medial", "far cranial", "far sweep")
"""What is varied, in degrees: the tilts and the sweep's half-angle of both phases; the columns of all angles."""

LOW_DEG = np.array([-40.0, -30.0, 2.0, -20.0, -30.0, 2.0])
HIGH_DEG = np.array([40.0, 30.0, 6.0, 60.0, 30.0, 6.0])
"""Tilts further out are no interlaminar approach; sweeps as in use, 2-4 deg, and half as much again (common practice,
no source)."""

OF_PHASE = (slice(0, 3), slice(3, 6))
"""Columns of each phase."""

COARSE_DEG = np.array([(m, c, 2.0) for m in (-5.0, 0.0, 5.0) for c in (-5.0, 0.0, 5.0)])
"""(9, 3) array, tried first for each phase: tilts about the direction to its targets, and the least sweep."""

ROUNDS = 5
"""Rounds of steps in each stage: of the one phase, of the other, and of both."""

LONGEST_DEG, SHORTEST_DEG = 2.5, 0.3
"""Typical steps of the first and the last round; a sweep's are half as long."""

SHARES = (0.4, 0.4, 0.2)
"""What each stage may spend of the budget."""

Indices = npt.NDArray[np.intp]
Lay = Callable[[Indices, Float], ApproachTable]
"""(N,) cells and (N, 6) values of VARIED -> the N approaches of two phases."""


@dataclass(frozen=True, eq=False)
class ConstrainedResult:
    """One approach for each of K cells.

    Parameters
    ----------
    angles_deg : (K, 6) array, VARIED
    by_relation : of those, K rows
    excess_frac : (K,) array, by which share the worst limit is broken; 0 where all are kept
    short_frac : (K,) array, by how much what is wanted falls short; 0 where all is reached
    """

    angles_deg: Float
    by_relation: OutcomesByRelation
    excess_frac: Float
    short_frac: Float

    @property
    def success(self) -> npt.NDArray[np.bool_]:
        """(K,) array: all limits kept and all that is wanted reached?"""
        return np.asarray((self.excess_frac == 0.0) & (self.short_frac == 0.0))

    def rows(self, which: Indices) -> ConstrainedResult:
        """Some of them."""
        return ConstrainedResult(
            self.angles_deg[which], self.by_relation.rows(which), self.excess_frac[which], self.short_frac[which]
        )

    def followed_by(self, other: ConstrainedResult) -> ConstrainedResult:
        """These and then the other ones."""
        return ConstrainedResult(
            np.concatenate([self.angles_deg, other.angles_deg]),
            self.by_relation.followed_by(other.by_relation),
            np.concatenate([self.excess_frac, other.excess_frac]),
            np.concatenate([self.short_frac, other.short_frac]),
        )


@dataclass(frozen=True, eq=False)
class ConstrainedAnswer:
    """What a search over K cells found.

    Parameters
    ----------
    within : the least bone for the best reach within limits
    reaching : the least breach of limits for the best reach, which tells why a cell fails
    evaluated : approaches that were evaluated, of one phase or of both
    """

    within: ConstrainedResult
    reaching: ConstrainedResult
    evaluated: int


@dataclass(frozen=True, eq=False)
class ConstrainedTask:
    """What is asked of K cells.

    Parameters
    ----------
    prepared, side, wanted : the level, the side of all approaches, and what must be reached
    lay : makes approaches
    aims_deg : (K, 4) array, medial and cranial tilts toward the near and the far targets
    plan_deg : (6,) array, tried in every cell
    neighbours : (K, M) array, cells whose best is tried too, -1 for none
    """

    prepared: PreparedLevel
    side: Side
    wanted: RequiredTargets
    lay: Lay
    aims_deg: Float
    plan_deg: Float
    neighbours: Indices

    def __len__(self) -> int:
        return len(self.aims_deg)

    @property
    def start_deg(self) -> Float:
        """(K, 6) array: along the aims, without sweep."""
        nothing = np.zeros((len(self), 1))
        return np.concatenate([self.aims_deg[:, :2], nothing, self.aims_deg[:, 2:], nothing], axis=1)


WITHIN = ("excess_frac", "short_frac", "bone")
REACHING = ("short_frac", "excess_frac", "bone")
"""What counts first, second and third."""


def least_bone(
    question: ConstrainedTask, budget: int, seed: int = 0, say: Callable[[str], None] = lambda _: None
) -> ConstrainedAnswer:
    """The best of every cell, for about `budget` approaches; each stage makes a round at least.

    The same seed gives the same answer.
    """
    rng = np.random.default_rng(seed)
    coarse = _near_coarse(question)
    near = _stage(question, (0,), coarse, int(SHARES[0] * budget), rng)
    say(f"{near.evaluated} approaches of at most {budget}: ipsilateral phase")
    far = _stage(question, (1,), _far_coarse(question, near), int(SHARES[1] * budget), rng)
    say(f"{near.evaluated + far.evaluated} approaches of at most {budget}: over the top")
    left = budget - near.evaluated - far.evaluated
    plan = np.broadcast_to(question.plan_deg, far.within.angles_deg.shape)
    pairs = np.stack([far.within.angles_deg, far.reaching.angles_deg, plan], axis=1)
    both = _stage(question, (0, 1), pairs, left, rng)
    return replace(both, evaluated=near.evaluated + far.evaluated + both.evaluated)


def _near_coarse(question: ConstrainedTask) -> Float:
    """(K, T, 6) angles of a first look with the ipsilateral phase, the plan's own last."""
    tried = np.repeat(question.start_deg[:, None], len(COARSE_DEG) + 1, axis=1)
    tried[:, :-1, OF_PHASE[0]] += COARSE_DEG
    tried[:, -1] = question.plan_deg
    return tried


def _far_coarse(question: ConstrainedTask, near: ConstrainedAnswer) -> Float:
    """(K, T, 6) angles of a first look over the top, each from both of what the first phase found."""
    tried = np.repeat(question.start_deg[:, None], len(COARSE_DEG) + 1, axis=1)
    tried[:, :-1, OF_PHASE[1]] += COARSE_DEG
    tried[:, -1] = question.plan_deg
    tried[:, :, OF_PHASE[0]] = near.within.angles_deg[:, None, OF_PHASE[0]]
    return tried


def _stage(
    question: ConstrainedTask, phases: tuple[int, ...], tried: Float, budget: int, rng: np.random.Generator
) -> ConstrainedAnswer:
    """The best of (K, T, 6) angles and of random steps about them, some phases alone."""
    cells, angles = _flat(tried)
    found = _reported(question, phases, cells, angles)
    within, reaching = (_best(found, cells, by) for by in (WITHIN, REACHING))
    evaluated = len(cells)
    steps = _steps(question, budget - evaluated)
    lengths = [*np.geomspace(LONGEST_DEG, SHORTEST_DEG, ROUNDS), 0.0]  # and once the neighbours' alone
    for length_deg in lengths:
        steps_deg = rng.normal(size=(steps if length_deg else 0, len(VARIED))) * length_deg
        cells, angles = _about(question, phases, (within, reaching), steps_deg)
        found = _reported(question, phases, cells, angles)
        within = _best(*_with_best(within, found, cells), WITHIN)
        reaching = _best(*_with_best(reaching, found, cells), REACHING)
        evaluated += len(cells)
    return ConstrainedAnswer(within, reaching, evaluated)


def _steps(question: ConstrainedTask, budget: int) -> int:
    """Random steps of each cell in each round."""
    shared = (ROUNDS + 1) * int(question.neighbours.shape[1])
    return max((int(budget // len(question)) - shared) // ROUNDS, 1)


def _about(
    question: ConstrainedTask,
    phases: tuple[int, ...],
    best: tuple[ConstrainedResult, ConstrainedResult],
    steps_deg: Float,
) -> tuple[Indices, Float]:
    """Steps from the best of each cell along the angles of some phases, and its neighbours' best, aimed anew.

    A cell without success takes half of its steps from what reaches best, to learn which limit stands in the way.
    """
    within, reaching = best
    ways = steps_deg.copy()
    ways[:, [2, 5]] /= 2
    for phase in {0, 1} - set(phases):
        ways[:, OF_PHASE[phase]] = 0.0
    tried = np.repeat(within.angles_deg[:, None], len(ways), axis=1)
    failing = ~within.success
    tried[failing, 1::2] = reaching.angles_deg[failing, None]
    cells, angles = _flat(tried + ways)
    mine, place = np.nonzero(question.neighbours >= 0)
    theirs = question.neighbours[mine, place]
    aimed = within.angles_deg[theirs] + question.start_deg[mine] - question.start_deg[theirs]
    return np.concatenate([cells, mine]), np.concatenate([angles, np.clip(aimed, LOW_DEG, HIGH_DEG)])


def _flat(tried: Float) -> tuple[Indices, Float]:
    """(K, T, 6) angles -> (K T,) cells and (K T, 6) angles within bounds."""
    cells = np.repeat(np.arange(len(tried)), tried.shape[1])
    return cells, np.clip(tried.reshape(-1, len(VARIED)), LOW_DEG, HIGH_DEG)


def _reported(question: ConstrainedTask, phases: tuple[int, ...], cells: Indices, angles: Float) -> ConstrainedResult:
    """What N approaches come to, one row each; a phase alone is asked only for what lies on its side."""
    prepared, side, names = question.prepared, question.side, question.wanted.names
    table = question.lay(cells, angles)
    if len(phases) == 1:
        table = one_phase(table, phases[0])
        names = tuple(name for name in names if name.startswith(RELATIONS[phases[0]]))
    by_relation = outcomes_by_relation(prepared.level, side, outcomes(prepared.scene, table))
    margins = margins_frac(by_relation, prepared.limits, pars_before_mm(prepared.scene, side))
    short = by_relation.short_frac(replace(question.wanted, names=names)) if names else np.zeros(len(cells))
    return ConstrainedResult(angles, by_relation, excess_frac(margins), short)


def _best(found: ConstrainedResult, cells: Indices, by: Sequence[str]) -> ConstrainedResult:
    """The best row of each cell, cells in order; ties go to the row that came first."""
    keys: Mapping[str, Float] = {
        "bone": found.by_relation.bone_mm3, "excess_frac": found.excess_frac, "short_frac": found.short_frac
    }  # fmt: skip
    order = np.lexsort([*(keys[name] for name in reversed(by)), cells])
    return found.rows(order[np.flatnonzero(np.diff(cells[order], prepend=-1))])


def _with_best(best: ConstrainedResult, found: ConstrainedResult, cells: Indices) -> tuple[ConstrainedResult, Indices]:
    """The best of each cell, then N new rows; and the cell of each."""
    return best.followed_by(found), np.concatenate([np.arange(len(best.excess_frac)), cells])
