"""Distribution of a number over the rows of a cohort."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from canalwise.recon.grid import Float

QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)
"""Of the table: the middle half and the middle nine tenths."""


@dataclass(frozen=True)
class Distribution:
    """Parameters
    ----------
    count, missing : rows that hold the number, and that do not
    quantiles : at QUANTILES; NaN where no row holds it
    """

    count: int
    missing: int
    quantiles: tuple[float, ...]

    @property
    def median(self) -> float:
        """The value that half of the rows do not exceed.

        >>> Distribution(3, 0, tuple(QUANTILES)).median
        0.5
        """
        return self.quantiles[QUANTILES.index(0.5)]


def distribution_of(values: Sequence[float | None]) -> Distribution:
    """The spread of the values that are known.

    >>> distribution_of([1.0, 2.0, 3.0, None]).median, distribution_of([1.0, None]).missing
    (2.0, 1)
    """
    known = known_values(values)
    ends = np.quantile(known, QUANTILES) if len(known) else np.full(len(QUANTILES), np.nan)
    return Distribution(len(known), len(values) - len(known), tuple(float(end) for end in ends))


def known_values(values: Sequence[float | None]) -> Float:
    """(N,) array of the values that are known.

    >>> known_values([1.0, None, float("nan"), 2.0]).tolist()
    [1.0, 2.0]
    """
    filled = np.array([np.nan if value is None else value for value in values], dtype=float)
    return filled[np.isfinite(filled)]
