"""The task of a search, and the accesses it goes through: a side with an instrument each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import get_args

from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.approach.search_bounds import INSTRUMENTS, instruments_named
from canalwise.estimator.decompression.room import Breadth
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.planning.canal_entry import canal_entry_of
from canalwise.estimator.resection.resection import resection_level_of
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.estimator.search.search_space import SearchSpace
from canalwise.recon.errors import AnatomyNotFound, WrongUse
from canalwise.recon.labels import SIDES, Side

BREADTHS: tuple[Breadth, ...] = get_args(Breadth)

USUAL_BREADTH: Breadth = "with recesses"

BUDGET = 800
"""Approaches that a search looks at unless stated otherwise (scripts/why_search.py)."""

Progress = Callable[[int], None]
"""Called with the number of approaches that have just been looked at."""


@dataclass(frozen=True)
class SearchTask:
    """Task of a search.

    Parameters
    ----------
    sides : that may be approached from
    instruments : name -> channel that may be used
    breadth : how much of the canal is to be freed
    budget : approaches that are looked at, all sides and instruments together
    seed : the same one gives the same answer
    best_only : neither a likelier plan nor a next best one is looked for, which saves half of the time
    """

    sides: tuple[Side, ...] = SIDES
    instruments: Mapping[str, Channel] = field(default_factory=lambda: instruments_named(next(iter(INSTRUMENTS))))
    breadth: Breadth = USUAL_BREADTH
    budget: int = BUDGET
    seed: int = 0
    best_only: bool = False

    def __post_init__(self) -> None:
        check_breadth(self.breadth)
        if not self.sides or not self.instruments:
            raise WrongUse("a search", "must be given a side and an instrument")
        if not 1 <= self.budget <= 1_000_000:
            raise WrongUse("'budget'", "must be from 1 to 1000000", got=self.budget)
        if self.seed < 0:
            raise WrongUse("'seed'", "must be 0 or more", got=self.seed)


def check_breadth(name: str) -> Breadth:
    """A breadth by its name; raises WrongUse for another.

    >>> check_breadth("central")
    'central'
    """
    for known in BREADTHS:
        if name == known:
            return known
    raise WrongUse("the breadth", f"must be one of {', '.join(BREADTHS)}", got=name)


def level_for(prepared: PreparedLevel, breadth: Breadth) -> ResectionLevel:
    """The level made ready for resections of that breadth."""
    usual = resection_level_of(prepared)
    return usual if breadth == usual.breadth else replace(usual, breadth=breadth)


def spaces_of(prepared: PreparedLevel, question: SearchTask) -> Sequence[tuple[str, SearchSpace]]:
    """Instrument and space of every side that can be docked on with every instrument.

    Raises
    ------
    AnatomyNotFound : no requested side can be docked on
    """
    sides = [side for side in question.sides if canal_entry_of(prepared.level, side) is not None]
    if not sides:
        raise AnatomyNotFound(
            f"interlaminar window {prepared.level.name}",
            "or the lamina edges must be in view on a requested side",
            do="Ask for the other side, or correct the labels of this level.",
        )
    return [(name, SearchSpace(prepared, side, channel))
            for side in sides for name, channel in question.instruments.items()]  # fmt: skip
