"""Intervals and chances of a resection as values, and how the simulated executions they come from are drawn."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from canalwise.estimator.approach.execution_errors import ExecutionErrors
from canalwise.estimator.interval import Interval
from canalwise.recon.errors import WrongUse

SAMPLES = 40
"""Executions drawn: between the least and the greatest of so many lie 95 % of further ones; a second or two."""

EachExecution = Callable[[], None]
"""Called before each execution is worked out, from any thread; what it raises ends the trial."""

EXECUTION = "execution"
"""Cause of what execution errors change."""


@dataclass(frozen=True)
class ExecutionTrial:
    """How many simulated executions, from which seed, with what errors."""

    samples: int = SAMPLES
    seed: int = 0
    errors: ExecutionErrors = field(default_factory=ExecutionErrors)

    def __post_init__(self) -> None:
        if not 0 < self.samples <= 10_000:
            raise WrongUse("'samples'", "of a resection must be from 1 to 10000", got=self.samples)
        if self.seed < 0:
            raise WrongUse("'seed'", "must be 0 or more", got=self.seed)


@dataclass(frozen=True)
class ResectionChances:
    """Probabilities as shares of the samples; None where a joint was not resolved, so that no one can say.

    Parameters
    ----------
    freed, kept, both : of the verdict
    limits : name of a limit check -> chance that it is kept; None where its number could not be measured
    samples : that they are shares of
    """

    freed: float
    kept: float | None
    both: float | None
    limits: Mapping[str, float | None]
    samples: int


@dataclass(frozen=True, eq=False)
class ResectionIntervals:
    """Intervals by name, as in `resection_numbers`, chances, and how the samples were drawn."""

    intervals: Mapping[str, Interval]
    chances: ResectionChances
    trial: ExecutionTrial
