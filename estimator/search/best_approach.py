"""The best approaches to one level: least bone with every limit kept and as much reached as can be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.table import ApproachTable, table_of
from canalwise.estimator.batch.score import SHARE_TOL, joined_scores
from canalwise.estimator.batch.success_probability import ExecutionSampler, SuccessProbability, likeliest, success_of
from canalwise.estimator.estimate.estimate import Estimate, estimate_of
from canalwise.estimator.estimate.limit_checks import limits_broken
from canalwise.estimator.estimate.task_reach import missed_exactly, reached_exactly
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.search.exploration import Progress, bone_for_reach, losses_of, on_front
from canalwise.estimator.search.pareto import Order, thinned
from canalwise.estimator.search.strategies import (
    Candidate,
    SearchBranch,
    SearchTask,
    allowed_of,
    candidate_at,
    explore_all,
    search_branches,
)
from canalwise.recon.labels import Mask

SHOWN = 16
"""Approaches of the Pareto set that are shown, and from which the likeliest to succeed is picked."""

TRIED_EXACTLY = 12
"""Of the cheapest found, so many are estimated exactly at most until one keeps every limit."""

OTHER_MM, OTHER_DEG = 3.0, 5.0
"""Two plans are not the same to a hand when docked this far apart or tilted this differently (about two standard
deviations of the hand's errors)."""


@dataclass(frozen=True, eq=False)
class Pick:
    """A plan worth showing, with its exact estimate and its chances under errors of the hand."""

    candidate: Candidate
    estimate: Estimate
    success: SuccessProbability

    @property
    def approach(self) -> Approach:
        """The plan."""
        return self.candidate.approach

    @property
    def bone_mm3(self) -> float:
        """Bone taken by the whole sweep."""
        return self.estimate.cone.removal.total_mm3

    @property
    def reach_frac(self) -> float:
        """Mean over the asked sets in view of the share touched."""
        return reached_exactly(self.estimate)

    @property
    def broken(self) -> tuple[str, ...]:
        """Names of the limits that are not kept."""
        return limits_broken(self.estimate)


@dataclass(frozen=True, eq=False)
class SearchResult:
    """What a search found.

    Parameters
    ----------
    best : least bone with all limits kept and no more than `allowed_frac` missed; if none, what breaks limits least
    robust : of the Pareto set and the best, the likeliest to be carried out within the limits and reaching enough
    runner_up : the next best that is another plan to a hand; None if there is none
    pareto : some of the approaches that none beats, in rising order of bone
    allowed_frac : by how much the asked sets may fall short of enough, summed: 0 where all can be reached
    evaluated, stopped : approaches looked at, and whether the search was stopped before its budget was spent
    """

    question: SearchTask
    level: str
    best: Pick
    robust: Pick
    runner_up: Pick | None
    pareto: tuple[Candidate, ...]
    allowed_frac: float
    evaluated: int
    stopped: bool

    def __repr__(self) -> str:
        ended = ", stopped early" if self.stopped else ""
        return f"<SearchResult {self.level}, {self.evaluated} approaches{ended}, best {self.best.estimate!r}>"


def search(
    prepared: PreparedLevel, question: SearchTask | None = None, progress: Progress = lambda _: None
) -> SearchResult:
    """The best, the likeliest and the next best approach to a level.

    Ctrl-C ends the exploration; what was found until then is the answer, marked `stopped`.

    Parameters
    ----------
    progress : told how many approaches have just been evaluated

    Raises
    ------
    AnatomyNotFound : no side asked for can be docked on, or no target asked for is in view
    """
    asked_for = question or SearchTask()
    ways = search_branches(prepared, asked_for, progress)
    stopped = False
    try:
        allowed = explore_all(ways, asked_for)
    except KeyboardInterrupt:
        if not any(len(way.explored) for way in ways):
            raise
        stopped, allowed = True, allowed_of(ways)
    return answer(prepared, asked_for, ways, allowed, stopped)


def answer(
    prepared: PreparedLevel,
    question: SearchTask,
    ways: Sequence[SearchBranch],
    allowed_frac: float,
    stopped: bool = False,
) -> SearchResult:
    """What follows from what was explored; the picks are estimated exactly."""
    judge = CandidateRanking(prepared, question, allowed_frac)
    best = judge.best_of(cheapest(ways, allowed_frac, TRIED_EXACTLY))
    shown = front_of(ways)
    others = cheapest(ways, allowed_frac, TRIED_EXACTLY, besides=best.approach)
    return SearchResult(
        question,
        prepared.level.name,
        best,
        judge.likeliest_of([best.candidate, *shown, *(c for way in ways for c in way.likely)]),
        judge.best_of(others) if others else None,
        shown,
        allowed_frac,
        sum(way.explored.evaluations for way in ways),
        stopped,
    )


@dataclass(frozen=True, eq=False)
class CandidateRanking:
    """Holds candidates against each other by exact estimates and by chance."""

    prepared: PreparedLevel
    question: SearchTask
    allowed_frac: float

    def best_of(self, candidates: Sequence[Candidate]) -> Pick:
        """The first whose exact estimate keeps all limits and reaches enough; else the first that fails in fewest."""
        exact: list[Estimate] = []
        fails: list[tuple[int, bool]] = []
        for one in candidates:
            exact.append(estimate_of(self.prepared, one.approach, self.question.task))
            short = missed_exactly(exact[-1]) > max(self.allowed_frac, one.missed_frac) + SHARE_TOL
            fails.append((len(limits_broken(exact[-1])), short))
            if fails[-1] == (0, False):
                break
        which = fails.index(min(fails))
        return Pick(candidates[which], exact[which], self.success(candidates[which]))

    def likeliest_of(self, candidates: Sequence[Candidate]) -> Pick:
        """The one with the best chance; of equal ones the one that takes least bone."""
        tried = [self.success(candidate) for candidate in candidates]
        which = likeliest(tried, [candidate.bone_mm3 for candidate in candidates])
        exact = estimate_of(self.prepared, candidates[which].approach, self.question.task)
        return Pick(candidates[which], exact, tried[which])

    def success(self, candidate: Candidate) -> SuccessProbability:
        """Of one candidate, under the errors that all meet."""
        return success_of(
            candidate.way.task_level, candidate.approach, self.allowed_frac, ExecutionSampler(seed=self.question.seed)
        )


def cheapest(
    ways: Sequence[SearchBranch], allowed_frac: float, count: int, besides: Approach | None = None
) -> tuple[Candidate, ...]:
    """The cheapest approaches of all ways, in rising order; `besides` one, only those that are other plans."""
    cost = bone_for_reach(allowed_frac)
    found = []
    for number, way in enumerate(ways):
        costs = cost(way.explored.found)
        for row in _rows_besides(way, np.argsort(costs, kind="stable"), count, besides):
            found.append((float(costs[row]), number, int(row)))
    return tuple(candidate_at(ways[number], row) for _, number, row in sorted(found)[:count])


def _rows_besides(way: SearchBranch, order: Order, count: int, besides: Approach | None) -> Order:
    """The first `count` rows of an order, without those that are the same plan as another one."""
    if besides is None:
        return order[:count]
    table = way.explored.space.approaches(way.explored.unit[order])
    return order[np.flatnonzero(~same_plans(table, besides))[:count]]


def front_of(ways: Sequence[SearchBranch]) -> tuple[Candidate, ...]:
    """Some of the approaches that none of any way beats, in rising order of bone."""
    found = joined_scores([way.explored.found for way in ways])
    number = np.repeat(np.arange(len(ways)), [len(way.explored) for way in ways])
    row = np.concatenate([np.arange(len(way.explored)) for way in ways])
    front = np.flatnonzero(on_front(found))
    chosen = front[thinned(losses_of(found)[front], SHOWN)]
    return tuple(candidate_at(ways[number[i]], int(row[i])) for i in chosen)


def same_plans(table: ApproachTable, plan: Approach) -> Mask:
    """(A,) array: which approaches, of as many phases, would a hand take for that plan?

    >>> from dataclasses import replace
    >>> from canalwise.estimator.approach.approach import Phase
    >>> from canalwise.estimator.approach.table import table_of
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, (Phase("ipsilateral", 0.0),))
    >>> near, across = replace(plan, docking_point_mm=(10.0, 12.0, 0.0)), replace(plan, side="right")
    >>> same_plans(table_of([near, across]), plan).tolist()
    [True, False]
    """
    one = table_of([plan])
    sizes = ("from_left", "sleeve_mm", "scope_mm", "tool_mm")
    alike = np.all([getattr(table, name) == getattr(one, name) for name in sizes], axis=0)
    apart_mm = np.linalg.norm(table.docking_mm - one.docking_mm, axis=1)
    tilts = ("medial_deg", "cranial_deg")
    apart_deg = np.max([np.abs(getattr(table, name) - getattr(one, name)).max(axis=1) for name in tilts], axis=0)
    return np.asarray(alike & (apart_mm < OTHER_MM) & (apart_deg < OTHER_DEG))
