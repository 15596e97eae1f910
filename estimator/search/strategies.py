"""Every way in that a search goes through, side by side and instrument by instrument, within one budget."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.approach.search_bounds import BOUNDS, INSTRUMENTS, instruments_named
from canalwise.estimator.batch.outcomes_by_relation import USUAL_WANTED
from canalwise.estimator.batch.score import Score
from canalwise.estimator.batch.success_probability import ExecutionSampler, failures_of
from canalwise.estimator.level.prepared_level import PreparedLevel, level_for_task
from canalwise.estimator.level.target_names import chosen
from canalwise.estimator.level.task_level import TaskLevel
from canalwise.estimator.planning.canal_entry import canal_entry_of
from canalwise.estimator.search.exploration import (
    COPIES,
    EvaluatedApproaches,
    Progress,
    around_the_front,
    bone_for_reach,
    evolved,
    evolved_in_valleys,
    likeliest_units,
    most_reach,
    spread,
)
from canalwise.estimator.search.search_space import SearchSpace
from canalwise.recon.errors import AnatomyNotFound, WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Side

SLACK_FRAC = 0.02
"""Where no approach within the limits reaches all that is asked, one may miss this much more than the one that misses
least: the last points would cost bone out of all proportion (choice)."""

STAGES = {"everywhere": 0.25, "most reach": 0.10, "least bone": 0.35, "front": 0.10, "chance": 0.20}
"""Share of the budget spent on each stage (scripts/why_search.py)."""

EDGE_DEG = 0.01
"""A plan sweeps this much wider than the approach it was found as (about 0.01 mm at its tip), so that no target at the
edge of the sweep is lost by rounding when it is estimated exactly."""

AT_BOUND = 0.01
"""A coordinate lies at the end of its bound when this near it, as a share of the bound's width."""

LIKELY = 8
"""Of each way, so many of those likeliest to succeed are tried once more with more copies."""


@dataclass(frozen=True)
class SearchTask:
    """What is searched for.

    Parameters
    ----------
    sides : that may be approached from
    instruments : name -> channel that may be used
    task : the sets of `estimator.level.target_names` to be touched
    budget : approaches that are evaluated, all sides and instruments together
    seed : the same one gives the same answer
    near_only : the ipsilateral phase alone, without going over the top
    """

    sides: tuple[Side, ...] = SIDES
    instruments: Mapping[str, Channel] = field(default_factory=lambda: instruments_named(next(iter(INSTRUMENTS))))
    task: tuple[str, ...] = USUAL_WANTED
    budget: int = 100_000
    seed: int = 0
    near_only: bool = False

    def __post_init__(self) -> None:
        chosen(self.task)
        if not self.sides or not self.instruments or not self.task:
            raise WrongUse("a search", "must be given a side, an instrument and a target")
        if not 1 <= self.budget <= 100_000_000:
            raise WrongUse("'budget'", "must be from 1 to 100000000", got=self.budget)
        if self.seed < 0:
            raise WrongUse("'seed'", "must be 0 or more", got=self.seed)


@dataclass(frozen=True, eq=False)
class SearchBranch:
    """One side with one instrument, what was explored of it, and what a hand is likely to succeed with."""

    side: Side
    instrument: str
    task_level: TaskLevel
    explored: EvaluatedApproaches
    likely: list[Candidate] = field(default_factory=list)


@dataclass(frozen=True, eq=False)
class Candidate:
    """One approach that was found, as the batch counts it.

    `at_bounds` names the BOUNDS that it lies at an end of: beyond them might be better. The numbers are those of
    `Score`.
    """

    way: SearchBranch
    approach: Approach
    at_bounds: tuple[str, ...]
    bone_mm3: float
    reach_frac: float
    missed_frac: float
    facet_frac: float
    broken: float


def search_branches(prepared: PreparedLevel, question: SearchTask, progress: Progress) -> tuple[SearchBranch, ...]:
    """Every side that can be docked on with every instrument; nothing is explored yet."""
    sides = [side for side in question.sides if canal_entry_of(prepared.level, side) is not None]
    if not sides:
        raise AnatomyNotFound(
            f"interlaminar window {prepared.level.name}",
            "or the lamina edges must be in view on a side that is asked for",
            do="Ask for the other side, or correct the labels of this level.",
        )
    task_level = {side: level_for_task(prepared, side, question.task) for side in sides}
    return tuple(
        SearchBranch(
            side,
            name,
            task_level[side],
            EvaluatedApproaches(SearchSpace(task_level[side], channel, question.near_only), progress),
        )
        for side in sides
        for name, channel in question.instruments.items()
    )


def explore_all(ways: Sequence[SearchBranch], question: SearchTask) -> float:
    """Spends the budget on all ways in equal shares; by how much what is asked may be missed."""
    counts = {stage: round(share * question.budget / len(ways)) for stage, share in STAGES.items()}
    rngs = [np.random.default_rng([question.seed, number]) for number in range(len(ways))]
    for way, rng in zip(ways, rngs, strict=True):
        spread(way.explored, max(counts["everywhere"], 1), rng)
        evolved(way.explored, most_reach, counts["most reach"], rng)
    allowed = allowed_of(ways)
    for way, rng in zip(ways, rngs, strict=True):
        # a side that cannot reach as much is searched for the least bone at its own best
        cost = bone_for_reach(max(allowed, allowed_of([way])))
        evolved_in_valleys(way.explored, cost, counts["least bone"], rng)
        around_the_front(way.explored, counts["front"], rng)
        way.likely.extend(likeliest_of_branch(way, allowed, counts["chance"], rng))
    return allowed


def likeliest_of_branch(
    way: SearchBranch, allowed_frac: float, count: int, rng: np.random.Generator
) -> list[Candidate]:
    """A few approaches of one way that a hand is likely to succeed with."""
    hand = ExecutionSampler(samples=COPIES)
    unit, failed = likeliest_units(
        way.explored, lambda table: failures_of(way.task_level, table, allowed_frac, hand), count, rng
    )
    if not len(unit):
        return []
    unit = unit[np.argsort(failed, kind="stable")[:LIKELY]]
    found = way.explored.evaluated(unit)
    return [candidate_of(way, unit[i : i + 1], found.rows(slice(i, i + 1))) for i in range(len(unit))]


def allowed_of(ways: Sequence[SearchBranch]) -> float:
    """By how much what is asked may be missed: not at all where it can all be reached within the limits so far."""
    least = min(least_missed(way.explored.found) for way in ways)
    return least + SLACK_FRAC if least > 0 else 0.0


def least_missed(found: Score) -> float:
    """The least that an approach which keeps all limits misses; infinite where none keeps them."""
    return float(found.missed_frac[found.kept].min(initial=np.inf))


def candidate_at(way: SearchBranch, row: int) -> Candidate:
    """One row of what was explored."""
    one = slice(row, row + 1)
    return candidate_of(way, way.explored.unit[one], way.explored.found.rows(one))


def candidate_of(way: SearchBranch, unit: Float, found: Score) -> Candidate:
    """The approach at (1, D) coordinates with how it stands, `found` holding one row."""
    space = way.explored.space
    varied = [number for number, name in enumerate(BOUNDS) if not (space.near_only and name.startswith("far_"))]
    at_end = np.abs(unit[0] - 0.5) > 0.5 - AT_BOUND
    bounds = tuple(name for number, name in enumerate(BOUNDS) if number in varied and at_end[number])
    numbers = (float(getattr(found, field.name)[0]) for field in fields(Score))
    table = space.approaches(unit)
    wider = replace(table, sweep_deg=table.sweep_deg + EDGE_DEG)
    return Candidate(way, wider.approach(0), bounds, *numbers)
