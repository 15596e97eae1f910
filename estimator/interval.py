"""A number with its 95 % interval, made of named contributions that are independent of each other."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float

SD_OF_95 = 1.96
"""Half of a 95 % interval of a normal distribution, in standard deviations."""

ENDS = (0.025, 0.975)
"""Between these quantiles of samples lie 95 % of them."""


Ends = tuple[float, float] | None
"""(low, high) of a 95 % interval; None where nothing makes the number uncertain."""


@dataclass(frozen=True)
class Interval:
    """A value and what makes it uncertain.

    Parameters
    ----------
    value : the number, in any unit
    sd_by_cause : cause -> standard deviation that it alone would give the value, same unit
    least, most : what the number can be at all; the interval's ends are drawn in to these
    spread : by how much 95 % of samples of all causes together differ from the value, (low, high); where none were
        drawn the causes are taken to be normal

    >>> kept = Interval(0.9, {"bone border": 0.03, "entry": 0.04}, 0.0, 1.0)
    >>> [round(end, 3) for end in kept.ends], round(kept.sd, 3)
    ([0.802, 0.998], 0.05)
    >>> [round(end, 3) for end in kept.without(["entry"]).ends]
    [0.841, 0.959]
    """

    value: float
    sd_by_cause: Mapping[str, float] = field(default_factory=dict)
    least: float = -np.inf
    most: float = np.inf
    spread: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if any(not sd >= 0 for sd in self.sd_by_cause.values()):
            raise WrongUse("'sd_by_cause'", "must hold standard deviations of 0 or more", got=dict(self.sd_by_cause))
        if self.spread is not None and not self.spread[0] <= 0 <= self.spread[1]:
            raise WrongUse("'spread'", "must hold 0 between its ends", got=self.spread)

    @property
    def sd(self) -> float:
        """Standard deviation of all causes together: the root of the sum of their squares.

        >>> Interval(10.0, {"borders": 0.3, "execution": 0.4}).sd
        0.5
        """
        return float(np.sqrt(sum(sd**2 for sd in self.sd_by_cause.values())))

    @property
    def ends(self) -> tuple[float, float]:
        """(low, high) of the 95 % interval.

        >>> low, high = Interval(0.9, {"borders": 0.1}, least=0.0, most=1.0).ends
        >>> round(low, 3), high
        (0.704, 1.0)
        """
        low, high = self.spread or (-SD_OF_95 * self.sd, SD_OF_95 * self.sd)
        return max(self.value + low, self.least), min(self.value + high, self.most)

    def without(self, causes: Collection[str]) -> Interval:
        """The interval as it were without some causes; the others are taken to be normal.

        >>> Interval(10.0, {"borders": 0.3, "execution": 0.4}).without(["execution"]).sd
        0.3
        """
        left = {cause: sd for cause, sd in self.sd_by_cause.items() if cause not in causes}
        return replace(self, sd_by_cause=left, spread=None)


def ends95(samples: Float, value: float) -> tuple[float, float]:
    """Between which 95 % of samples lie, the value they are about included.

    Parameters
    ----------
    samples : (N,) array
    value : in the same unit

    >>> ends95(np.linspace(1.0, 2.0, 401), 0.5)
    (0.5, 1.975)
    """
    low, high = np.quantile(samples, ENDS)
    return min(float(low), value), max(float(high), value)


def sd_of_shift(value: float, *shifted: float) -> float:
    """Standard deviation of a number that takes the `shifted` values when its cause is off by SD_OF_95 deviations.

    The larger change counts: where a number moves in one direction only, the interval is symmetric all the same.

    >>> round(sd_of_shift(10.0, 8.04, 11.0), 3)
    1.0
    """
    return float(max(abs(other - value) for other in shifted) / SD_OF_95)
