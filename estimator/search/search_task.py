"""The task of a search."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import get_args

from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.approach.search_bounds import INSTRUMENTS, instruments_named
from canalwise.estimator.decompression.room import Breadth
from canalwise.recon.errors import WrongUse
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
