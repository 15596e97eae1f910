"""What a search looks at and what it finds, as values."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.outcome.plan_values import PlanNumbers
from canalwise.estimator.planning.skin_entry import SkinEntry
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.estimator.search.search_space import DIMENSIONS, SearchSpace
from canalwise.estimator.search.search_task import Progress, SearchTask
from canalwise.recon.grid import Float


@dataclass(eq=False)
class Seen:
    """Approaches looked at in one form, in that order; every list one array a chunk."""

    units: list[Float] = field(default_factory=list)
    weighted: list[Float] = field(default_factory=list)
    freed: list[Float] = field(default_factory=list)

    def __len__(self) -> int:
        return sum(len(unit) for unit in self.units)

    @property
    def unit(self) -> Float:
        """(A, D) array: coordinates."""
        return np.concatenate([np.empty((0, DIMENSIONS)), *self.units])

    @property
    def weighted_mm3(self) -> Float:
        """(A,) array."""
        return np.concatenate([np.empty(0), *self.weighted])

    @property
    def freed_frac(self) -> Float:
        """(A,) array: share freed on the side that is freed less."""
        return np.concatenate([np.empty(0), *self.freed])


@dataclass(eq=False)
class SearchBranch:
    """One side with one instrument, and all that was looked at there."""

    instrument: str
    space: SearchSpace
    at: ResectionLevel
    progress: Progress = lambda _: None
    screened: Seen = field(default_factory=Seen)
    close: Seen = field(default_factory=Seen)

    @property
    def enough_frac(self) -> float:
        """Share of each side that must be freed."""
        return self.at.rules.value("freed_enough_frac")

    @property
    def evaluations(self) -> int:
        """Approaches looked at."""
        return len(self.screened) + len(self.close)


@dataclass(frozen=True, eq=False)
class PlanChance:
    """Chances of one plan under execution errors.

    Parameters
    ----------
    freed, kept, both : shares of the simulated executions that free enough, that keep every limit, that do both; where
        a joint was not resolved `kept` is None, and `both` is that of `freed`
    executions : that they are shares of
    bone_mm3 : (COPIES,) array, bone of copies entered with execution errors; copies of all plans meet the same errors
    bone95_mm3 : 95 % interval of the plan's bone, that of its estimate with the same executions
    """

    freed: float
    kept: float | None
    both: float
    executions: int
    bone_mm3: Float
    bone95_mm3: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Candidate:
    """A plan that was estimated exactly; `at_bounds` names the BOUNDS that it lies at an end of."""

    branch: SearchBranch
    approach: Approach
    numbers: PlanNumbers
    at_bounds: tuple[str, ...]
    unit: Float

    @property
    def instrument(self) -> str:
        """Name of the instrument's class."""
        return self.branch.instrument


@dataclass(frozen=True, eq=False)
class Pick:
    """A plan worth showing, with its chances under execution errors."""

    candidate: Candidate
    chance: PlanChance
    skin_entry: SkinEntry

    @property
    def approach(self) -> Approach:
        """The plan."""
        return self.candidate.approach

    @property
    def numbers(self) -> PlanNumbers:
        """What it frees, takes and keeps."""
        return self.candidate.numbers


@dataclass(frozen=True, eq=False)
class SearchResult:
    """What a search found; every number is that of an exact estimate.

    Parameters
    ----------
    best : the least weighted bone that frees enough with all limits kept; where none was found, the most freed within
        limits
    robust : the likeliest to be carried out so
    runner_up : the next best that is another plan to a surgeon; None if there is none
    pareto : plans of which none frees more for less bone, limits kept, in rising order of bone
    evaluated, exact : approaches looked at, and how many of them exactly
    stopped : whether the search was ended before its budget was spent
    """

    question: SearchTask
    level: str
    enough_frac: float
    best: Pick
    robust: Pick
    runner_up: Pick | None
    pareto: tuple[Candidate, ...]
    evaluated: int
    exact: int
    stopped: bool

    def __repr__(self) -> str:
        ended = ", stopped early" if self.stopped else ""
        return f"<SearchResult {self.level}, {self.evaluated} approaches{ended}: {self.best.numbers.verdict.sentence}>"
