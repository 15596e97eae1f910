"""Going through a search space: everywhere first, then where reach is most, then where bone is least.

The best-ranked approaches seed scipy's differential evolution, a generation at a time
(scripts/why_search.py holds it against other ways at equal numbers of evaluations).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from canalwise.estimator.approach.search_bounds import BOUNDS
from canalwise.estimator.approach.table import ApproachTable
from canalwise.estimator.batch.outcomes import ErrorShifts, outcomes
from canalwise.estimator.batch.score import Score, guarded_score, joined_scores
from canalwise.estimator.search.pareto import non_dominated
from canalwise.estimator.search.search_space import DIMENSIONS, SearchSpace
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask

APART_FRAC = 0.7
"""Share of the approaches that is spent on two valleys apart, before what is best in both is followed."""

POPULATION = 64
"""Approaches in a generation (scripts/why_search.py)."""

CHUNK = 1024
"""Approaches evaluated between two signs of progress."""

BREAKS_MM3 = 1e6
"""What breaking a limit by all of itself costs, in mm3 of bone: no bone saved outweighs a broken limit."""

NEVER_MM3 = 1e5
"""More bone than any approach takes; added where a limit is broken or too little is reached."""

FEW, COPIES = 32, 32
"""Approaches in a generation, and disturbed copies of each, where the likeliest to succeed is looked for."""

EDGE_MM = 0.01
"""A search keeps this much more from the sac than it must: the best lies at an edge, and is not to fall over it by
rounding when it is estimated exactly."""

STEP = 0.03
"""Standard deviation of a step from an approach on the front, as a share of each bound's width."""

FRONT_FRAC = 0.5
"""What reaches less than this share of the most is no decompression and not shown, however little bone it takes."""

LEAST_DIFFERENCE = (5.0, 0.005, 0.005)
"""mm3 of bone, share reached and share of a joint that make a difference."""

Progress = Callable[[int], None]
"""Told how many approaches have just been evaluated."""

Cost = Callable[[Score], Float]
"""What a stage makes least."""

FailuresOf = Callable[[ApproachTable], tuple[Float, Float]]
"""(A) approaches -> (A,) share of COPIES disturbed copies of each that fail, and (A,) mean bone of the copies, mm3."""


def bone_for_reach(allowed_frac: float) -> Cost:
    """Bone, where limits are kept and no more than a share is missed; else more, the more it is missed.

    >>> one = Score(*(np.array([number]) for number in (900.0, 0.8, 0.1, 0.7, 0.0)))
    >>> bone_for_reach(0.1)(one).tolist(), bone_for_reach(0.0)(one).tolist()
    ([900.0], [200900.0])
    """

    def cost(found: Score) -> Float:
        missed = found.broken + np.maximum(found.missed_frac - allowed_frac, 0.0)
        return np.asarray(found.bone_mm3 + np.where(missed > 0, NEVER_MM3, 0.0) + BREAKS_MM3 * missed)

    return cost


def most_reach(found: Score) -> Float:
    """What is missed, then what is not touched, where limits are kept; else more, the more they are broken."""
    untouched = 1.0 - found.reach_frac
    return np.asarray(100.0 * found.missed_frac + untouched + np.where(found.broken > 0, 1e4, 0.0) + 1e4 * found.broken)


@dataclass(eq=False)
class EvaluatedApproaches:
    """All approaches of one space that were evaluated, in the order they were.

    Parameters
    ----------
    space : that they lie in
    progress : told of each lot
    """

    space: SearchSpace
    progress: Progress = lambda _: None
    _units: list[Float] = field(default_factory=list)
    _found: list[Score] = field(default_factory=list)
    evaluations: int = 0

    def evaluated(self, unit: Float) -> Score:
        """How the approaches at (A, D) coordinates stand; kept."""
        table = self.space.approaches(unit)
        nearer = ErrorShifts(sac_mm=np.full(len(table), EDGE_MM), targets_mm=np.zeros(len(table)))
        found = guarded_score(self.space.task_level, table, outcomes(self.space.task_level.scene, table, nearer))
        self._units.append(np.clip(unit, 0.0, 1.0))
        self._found.append(found)
        self.counted(len(unit))
        return found

    def counted(self, count: int) -> None:
        """Adds to the number of evaluations, those of disturbed copies too, and tells of it."""
        self.evaluations += count
        self.progress(count)

    def __len__(self) -> int:
        return sum(len(unit) for unit in self._units)

    @property
    def unit(self) -> Float:
        """(A, D) array: coordinates."""
        return np.concatenate([np.empty((0, DIMENSIONS)), *self._units])

    @property
    def found(self) -> Score:
        """How all of them stand."""
        return joined_scores(self._found)

    def best_units(self, cost: Cost, count: int) -> Float:
        """(count, D) array: coordinates of the cheapest, the earlier first where two cost the same."""
        return np.asarray(self.unit[np.argsort(cost(self.found), kind="stable")[:count]])


def spread(explored: EvaluatedApproaches, count: int, rng: np.random.Generator) -> None:
    """Evaluates a scrambled Sobol sequence through the whole space."""
    from scipy.stats import qmc  # 40 MB, which nobody needs who does not search

    sobol = qmc.Sobol(DIMENSIONS, rng=rng)
    for done in range(0, count, CHUNK):
        explored.evaluated(sobol.random(CHUNK)[: count - done])


def around_the_front(explored: EvaluatedApproaches, count: int, rng: np.random.Generator) -> None:
    """Evaluates approaches near those that nothing found so far beats, with limits kept."""
    for done in range(0, count, CHUNK):
        front = explored.unit[on_front(explored.found)]
        if not len(front):
            return
        chosen = front[rng.integers(len(front), size=min(CHUNK, count - done))]
        explored.evaluated(chosen + STEP * rng.standard_normal(chosen.shape))


def on_front(found: Score) -> Mask:
    """(A,) array: which keep all limits, reach at least FRONT_FRAC of the most that any does, and are beaten by none.

    Differences of less than LEAST_DIFFERENCE count for nothing.
    """
    kept = found.kept
    kept = kept & (found.reach_frac >= FRONT_FRAC * found.reach_frac[kept].max(initial=0.0))
    front = np.zeros(len(kept), dtype=bool)
    front[kept] = non_dominated(np.rint(losses_of(found)[kept] / LEAST_DIFFERENCE))
    return front


def losses_of(found: Score) -> Float:
    """(A, 3) array: bone taken, and reach and least facet kept, both negative: less is better of each."""
    return np.stack([found.bone_mm3, -found.reach_frac, -found.facet_frac], axis=1)


def evolved(explored: EvaluatedApproaches, cost: Cost, count: int, rng: np.random.Generator) -> None:
    """Evaluates about `count` more approaches where a cost is least."""
    seeds = _seeds(explored, cost, POPULATION, rng)
    _evolve(lambda unit: cost(explored.evaluated(unit)), seeds, count, rng)


def evolved_in_valleys(explored: EvaluatedApproaches, cost: Cost, count: int, rng: np.random.Generator) -> None:
    """Evaluates about `count` more approaches where a cost is least: in two valleys apart, then from the best of both.

    One generation soon gathers in the valley it first finds, which need not be the deepest (scripts/why_search.py).
    """
    ranked = explored.best_units(cost, max(len(explored) // 5, 2 * POPULATION))
    away = np.linalg.norm(ranked - ranked[0], axis=1)
    other = ranked[np.argmax(away > away.max() / 2)]  # the cheapest of those that lie far from the cheapest
    nearer_other = np.linalg.norm(ranked - other, axis=1) < away
    for valley in (ranked[~nearer_other], ranked[nearer_other]):
        more = rng.random((max(POPULATION - len(valley), 0), DIMENSIONS))
        seeds = np.concatenate([valley[:POPULATION], more])
        _evolve(lambda unit: cost(explored.evaluated(unit)), seeds, round(count * APART_FRAC / 2), rng)
    evolved(explored, cost, round(count * (1 - APART_FRAC)), rng)


def likeliest_units(
    explored: EvaluatedApproaches, failures_of: FailuresOf, count: int, rng: np.random.Generator
) -> tuple[Float, Float]:
    """(N, D) coordinates, and (N,) share of copies that fail, of approaches a hand is likely to succeed with.

    About `count` disturbed copies are evaluated. Of plans that fail alike the one that takes less bone is better.
    """
    tried: list[tuple[Float, Float]] = []

    def cost(unit: Float) -> Float:
        failed, bone_mm3 = failures_of(explored.space.approaches(unit))
        tried.append((unit.copy(), failed))
        explored.counted(len(unit) * COPIES)
        return np.asarray(failed + bone_mm3 / NEVER_MM3)

    seeds = _widened(_seeds(explored, most_reach, FEW, rng), rng)
    _evolve(cost, seeds, count // COPIES, rng)
    units, failed = (
        (np.concatenate(column) for column in zip(*tried, strict=True)) if tried else (seeds[:0], np.zeros(0))
    )
    return units, failed


def _widened(unit: Float, rng: np.random.Generator) -> Float:
    """The same with sweeps drawn anew: what reaches with the least sweep has none to spare for a hand's errors."""
    wider = unit.copy()
    sweeps = [number for number, name in enumerate(BOUNDS) if name.endswith("sweep_deg")]
    wider[:, sweeps] = rng.random((len(unit), len(sweeps)))
    return wider


def _evolve(cost_of: Callable[[Float], Float], seeds: Float, count: int, rng: np.random.Generator) -> None:
    from scipy.optimize import Bounds, differential_evolution

    generations = count // len(seeds) - 1
    if generations < 1:
        return

    def cost(columns: Any) -> Any:  # scipy's types know of one row only
        return cost_of(columns.T)

    differential_evolution(
        cost,
        Bounds(np.zeros(DIMENSIONS), np.ones(DIMENSIONS)),
        init=seeds,
        maxiter=generations,
        strategy="currenttobest1bin",
        mutation=(0.4, 0.9),
        recombination=0.9,
        tol=0.0,
        atol=-1.0,  # never ends early: the budget is the end
        polish=False,
        updating="deferred",
        vectorized=True,
        rng=rng,
    )


def _seeds(explored: EvaluatedApproaches, cost: Cost, count: int, rng: np.random.Generator) -> Float:
    """A first generation: the cheapest so far, half of them, and others drawn from the cheaper tenth."""
    ranked = explored.best_units(cost, max(len(explored) // 10, count))
    best, others = ranked[: count // 2], rng.permutation(ranked[count // 2 :])[: count - count // 2]
    missing = count - len(best) - len(others)
    return np.concatenate([best, others, rng.random((missing, DIMENSIONS))])
