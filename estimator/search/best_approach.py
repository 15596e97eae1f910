"""The best approaches to one level: least weighted bone that frees enough with every limit kept."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from canalwise.estimator.approach.approach import Approach, placed_phases
from canalwise.estimator.approach.search_bounds import BOUNDS
from canalwise.estimator.approach.table import pivots_level_mm, table_of
from canalwise.estimator.execution.resection_intervals import resection_intervals
from canalwise.estimator.execution.uncertainty_values import ExecutionTrial
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.outcome.decompressed import decompressed, numbers_of_plans
from canalwise.estimator.outcome.plan_values import rank_of
from canalwise.estimator.planning.skin_entry import skin_entry_of
from canalwise.estimator.resection.resection import level_for
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.estimator.search.chance import COPIES, chance_of
from canalwise.estimator.search.exploration import coarse_cost, explore, steps_about, usual_plan
from canalwise.estimator.search.pareto import non_dominated, thinned
from canalwise.estimator.search.search_space import spaces_of
from canalwise.estimator.search.search_task import Progress, SearchTask
from canalwise.estimator.search.search_values import Candidate, Pick, SearchBranch, SearchResult
from canalwise.recon.grid import Float

EXACT_SHARE, EXACT_LEAST, EXACT_MOST = 0.04, 6, 64
"""Of the budget, so much is estimated exactly: the cheapest, within these numbers."""

REFINED_SHARE, REFINED_STEPS = 0.4, (0.04, 0.02)
"""For each plan estimated exactly, so many more by steps from the best so far, each round's this share of the bounds'
widths long (scripts/why_search.py)."""

ON_FRONT = 6
"""Plans of the coarse front that are estimated exactly too, so that less and more freed are shown with their bone; none
where the best alone is wanted: over twelve searches of two levels its weighted bone was the same without (0.2 %)."""

SHOWN = 16
"""Plans of the Pareto set that are shown."""

TRIED = 4
"""Plans among which the likeliest is looked for."""

ALIKE = 3
"""No more than so many plans that a surgeon would take for the same are estimated exactly at first."""

CHANCE_SHARE = 0.12
"""Share of the budget spent on chances, as far as it goes."""

OTHER_MM, OTHER_PIVOT_MM = 3.0, 5.0
"""Two plans are not the same to a surgeon when docked this far apart, or held by pivots this far apart (about two
standard deviations of the execution errors)."""

LEAST_DIFFERENCE = (5.0, 0.005)
"""mm3 of bone and share freed that make a difference."""

AT_BOUND = 0.01
"""A coordinate lies at the end of its bound when this near it, as a share of the bound's width."""


def search(
    prepared: PreparedLevel,
    question: SearchTask | None = None,
    progress: Progress = lambda _: None,
    at: ResectionLevel | None = None,
) -> SearchResult:
    """The best, the likeliest and the next best approach to a level.

    Ctrl-C ends the exploration; what was found until then is the answer, marked `stopped`.

    Parameters
    ----------
    progress : called with how many approaches have just been looked at
    at : the level with another set to free than the breadth's own

    Raises
    ------
    AnatomyNotFound : no requested side can be docked on, or there is no dural sac or no ligament
    """
    task = question or SearchTask()
    ready = at or level_for(prepared, task.breadth)
    branches = [SearchBranch(name, space, ready, progress) for name, space in spaces_of(prepared, task)]
    finds, stopped = Finds(prepared, branches, task), False
    # coarse looks, a share of these estimated exactly with what refines them, and chances make up the budget together
    coarse = (1.0 - CHANCE_SHARE) / (1.0 + (1.0 + len(REFINED_STEPS) * REFINED_SHARE) * EXACT_SHARE) * task.budget
    try:
        for number, branch in enumerate(branches):
            explore(branch, max(round(coarse / len(branches)), 1), np.random.default_rng([task.seed, number]))
        finds.estimate(finds.promising())
        if not any(one.numbers.good for one in finds.exact):
            finds.estimate(finds.most_freed())
        for length in REFINED_STEPS:
            finds.estimate(finds.about_best(length))
    except KeyboardInterrupt:
        if not any(branch.evaluations for branch in branches):
            raise
        stopped = True
        if not finds.exact:
            finds.estimate(finds.promising()[:EXACT_LEAST], reported=False)
    return finds.answer(stopped)


class Finds:
    """What is estimated exactly of a search, and the picks among it."""

    def __init__(self, prepared: PreparedLevel, branches: Sequence[SearchBranch], question: SearchTask) -> None:
        self.prepared, self.branches, self.question = prepared, branches, question
        self.exact: list[Candidate] = []
        self.copies = 0

    @property
    def count(self) -> int:
        """How many of the cheapest are estimated exactly."""
        return int(np.clip(round(EXACT_SHARE * self.question.budget), EXACT_LEAST, EXACT_MOST))

    def promising(self) -> list[tuple[SearchBranch, Float]]:
        """The usual plan of each branch, the cheapest of all branches, at least two of each, and some of the front.

        Returns
        -------
        some : branch and (D,) coordinates of each plan
        """
        ranked: list[tuple[float, int, int]] = []
        for number, branch in enumerate(self.branches):
            seen = branch.close if len(branch.close) else branch.screened
            cost = coarse_cost(seen.weighted_mm3, seen.freed_frac, branch.enough_frac)
            ranked += [(float(cost[row]), number, int(row)) for row in np.argsort(cost, kind="stable")]
        ranked.sort()
        chosen: list[tuple[SearchBranch, Float]] = []
        own = dict.fromkeys(range(len(self.branches)), 0)
        alike: list[tuple[int, Float, Float]] = []
        for _, number, row in ranked:
            branch = self.branches[number]
            seen = branch.close if len(branch.close) else branch.screened
            unit = seen.unit[row]
            docking, pivot = (place[0] for place in branch.space.places_mm(unit[None]))
            same = sum(n == number and _same(docking - d, pivot - p) for n, d, p in alike)
            wanted = len(chosen) < self.count or own[number] < 2
            if wanted and same < ALIKE:
                chosen.append((branch, unit))
                alike.append((number, docking, pivot))
                own[number] += 1
        if not self.question.best_only:
            for branch in self.branches:
                chosen += [(branch, unit) for unit in _coarse_front(branch, max(ON_FRONT // len(self.branches), 1))]
        return chosen

    def most_freed(self) -> list[tuple[SearchBranch, Float]]:
        """What frees most as far as seen closely, whatever bone it takes: where nothing cheap frees enough.

        Returns
        -------
        some : branch and (D,) coordinates of each plan
        """
        ranked: list[tuple[float, int, int]] = []
        for number, branch in enumerate(self.branches):
            ranked += [(-float(share), number, row) for row, share in enumerate(branch.close.freed_frac)]
        chosen = [(self.branches[number], row) for _, number, row in sorted(ranked)[: self.count]]
        return [(branch, branch.close.unit[row]) for branch, row in chosen]

    def about_best(self, length: float) -> list[tuple[SearchBranch, Float]]:
        """Steps from the best so far.

        Parameters
        ----------
        length : standard deviation of a step, as a share of each bound's width

        Returns
        -------
        some : branch and (D,) coordinates of each plan
        """
        best = min(self.exact, key=rank)
        rng = np.random.default_rng([self.question.seed, len(self.branches), len(self.exact)])
        count = round(REFINED_SHARE * self.count)
        return [(best.branch, unit) for unit in steps_about(best.branch.space, best.unit[None], length, count, rng)]

    def estimate(self, some: Sequence[tuple[SearchBranch, Float]], reported: bool = True) -> None:
        """Estimates plans exactly, and at first each branch's usual plan.

        Parameters
        ----------
        some : branch and (D,) coordinates of each plan
        reported : is progress reported?
        """
        plans = [branch.space.approaches(unit[None])[0] for branch, unit in some]
        owners = [(branch, unit) for branch, unit in some]
        if not self.exact:
            for branch in self.branches:
                usual = usual_plan(branch.space)
                if usual is not None:
                    plans.append(usual)
                    owners.append((branch, branch.space.unit_of(usual)))
        at = self.branches[0].at
        for (branch, unit), plan, numbers in zip(
            owners, plans, numbers_of_plans(self.prepared, plans, at), strict=True
        ):
            self.exact.append(Candidate(branch, plan, numbers, at_bounds(unit), unit))
            if reported:
                branch.progress(1)

    def answer(self, stopped: bool) -> SearchResult:
        """The picks."""
        ranked = sorted(self.exact, key=rank)
        best, alone = self._pick(ranked[0]), self.question.best_only
        likely = [best, *(self._pick(one) for one in ([] if alone else self._likely(ranked, stopped)))]
        robust = max(likely, key=lambda pick: (pick.chance.both, pick.chance.freed, -pick.numbers.bone_mm3))
        others = [] if alone else [one for one in ranked if not same_plan(one, ranked[0])]
        return SearchResult(
            self.question,
            self.prepared.level.name,
            self.branches[0].enough_frac,
            best,
            robust,
            self._pick(others[0]) if others else None,
            front_of(self.exact),
            sum(branch.evaluations for branch in self.branches) + len(self.exact) + self.copies,
            len(self.exact),
            stopped,
        )

    def _likely(self, ranked: Sequence[Candidate], stopped: bool) -> list[Candidate]:
        """Plans that may be likelier than the best: those that free more with limits kept, cheapest first."""
        tries = min(TRIED, int(CHANCE_SHARE * self.question.budget / COPIES)) - 1
        better = [one for one in ranked[1:] if one.numbers.verdict.kept
                  and one.numbers.least_freed_frac > ranked[0].numbers.least_freed_frac]  # fmt: skip
        if stopped or tries < 1 or not better:
            return []
        losses = np.array([[one.numbers.weighted_mm3, -one.numbers.least_freed_frac] for one in better])
        front = np.flatnonzero(non_dominated(losses))
        return [better[front[i]] for i in thinned(losses[front], tries)]

    def _pick(self, one: Candidate) -> Pick:
        self.copies += COPIES
        plan, anatomy, level = one.approach, self.prepared.anatomy, self.prepared.level
        found, seed = decompressed(self.prepared, plan, one.branch.at), self.question.seed
        chance = chance_of(found, resection_intervals(found, ExecutionTrial(seed=seed)), seed)
        first = placed_phases(plan, level.frame)[0]
        return Pick(one, chance, skin_entry_of(anatomy, plan, first, self.prepared.air_in_view))


def rank(one: Candidate) -> tuple[int, float, float]:
    """Better plans come first (`rank_of`)."""
    return rank_of(one.numbers)


def _coarse_front(branch: SearchBranch, count: int) -> Float:
    """(count, D) array: plans of which none frees more for less, as far as seen closely."""
    seen = branch.close
    if not len(seen):
        return seen.unit
    losses = np.stack([seen.weighted_mm3, -seen.freed_frac], axis=1)
    front = np.flatnonzero(non_dominated(losses))
    return np.asarray(seen.unit[front[thinned(losses[front], count)]])


def front_of(found: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """Plans with limits kept of which none frees more for less bone, in rising order of bone; some where many.

    Differences of less than LEAST_DIFFERENCE count for nothing: of plans alike the one with least bone is shown.
    """
    kept = sorted((one for one in found if one.numbers.verdict.kept), key=lambda one: one.numbers.bone_mm3)
    if not kept:
        return ()
    losses = np.array([[one.numbers.bone_mm3, -one.numbers.least_freed_frac] for one in kept])
    alike, first = np.unique(np.rint(losses / LEAST_DIFFERENCE), axis=0, return_index=True)
    front = np.sort(first[non_dominated(alike)])
    return tuple(kept[front[i]] for i in thinned(losses[front], SHOWN))


def at_bounds(unit: Float) -> tuple[str, ...]:
    """Names of the bounds that (D,) coordinates lie at an end of.

    >>> at_bounds(np.array([0.5, 0.5, 0.0, 0.5, 1.0]))
    ('pivot_distance_mm', 'cranial_tilt_deg')
    """
    ends = np.abs(unit - 0.5) > 0.5 - AT_BOUND
    return tuple(name for name, end in zip(BOUNDS, ends, strict=True) if end)


def same_plan(one: Candidate, other: Candidate) -> bool:
    """Would a surgeon take one for the other?"""
    if one.branch is not other.branch:
        return False
    (docking, pivot), (docking2, pivot2) = (_places(candidate.approach) for candidate in (one, other))
    return _same(docking - docking2, pivot - pivot2)


def _places(plan: Approach) -> tuple[Float, Float]:
    return np.array(plan.docking_point_mm), pivots_level_mm(table_of([plan]))[0, 0]


def _same(docking_apart_mm: Float, pivot_apart_mm: Float) -> bool:
    apart = float(np.linalg.norm(docking_apart_mm)), float(np.linalg.norm(pivot_apart_mm))
    return apart[0] < OTHER_MM and apart[1] < OTHER_PIVOT_MM
