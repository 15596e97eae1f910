"""Planned against achieved: mean difference and limits of agreement, patients with several levels counted once.

The limits are mean difference +- 1.96 standard deviations (Bland and Altman 1986). Where a patient gives several
differences these are not independent: the variance is then that between patients plus that within one, from a one-way
analysis of variance with unequal numbers (Bland and Altman 2007; both citations from memory, docs/cohort.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float

SD_OF_95 = 1.96
"""Half of a 95 % interval of a normal distribution, in standard deviations."""

LEAST_PATIENTS = 3
"""Of fewer no spread is reported (choice)."""


@dataclass(frozen=True)
class Agreement:
    """Achieved less planned.

    Parameters
    ----------
    count, patients : differences, and patients they come from
    mean : difference, the unit of the number
    sd : of one difference, of a patient drawn at random
    """

    count: int
    patients: int
    mean: float
    sd: float

    @property
    def limits(self) -> tuple[float, float]:
        """Between these lie 95 % of the differences, were they normal.

        >>> [round(end, 2) for end in Agreement(20, 10, 1.0, 0.5).limits]
        [0.02, 1.98]
        """
        return self.mean - SD_OF_95 * self.sd, self.mean + SD_OF_95 * self.sd


def limits_of_agreement(
    planned: Sequence[float | None], achieved: Sequence[float | None], patients: Sequence[int | None] | None = None
) -> Agreement | None:
    """Differences of achieved from planned numbers; None where fewer than LEAST_PATIENTS patients have both.

    Parameters
    ----------
    patients : a number for each row's patient; a row without one, or all where left out, is a patient of its own

    >>> found = limits_of_agreement([10.0, 20.0, 30.0, None], [12.0, 21.0, 33.0, 5.0])
    >>> found.mean, found.sd, found.patients
    (2.0, 1.0, 3)
    """
    if len(planned) != len(achieved) or (patients is not None and len(patients) != len(planned)):
        raise WrongUse("planned and achieved", "must be of one length", got=(len(planned), len(achieved)))
    pairs = np.array([[_number(p), _number(a)] for p, a in zip(planned, achieved, strict=True)]).reshape(-1, 2)
    both = np.isfinite(pairs).all(axis=1)
    group = _groups(patients, len(planned))[both]
    difference = pairs[both, 1] - pairs[both, 0]
    count = len(np.unique(group))
    if count < LEAST_PATIENTS:
        return None
    return Agreement(len(difference), count, _mean(difference, group), _sd(difference, group))


def _number(value: float | None) -> float:
    return float("nan") if value is None else value


def _groups(patients: Sequence[int | None] | None, rows: int) -> npt.NDArray[np.int64]:
    """(rows,) array: who each row belongs to; those unknown get negative numbers of their own."""
    given = [None] * rows if patients is None else patients
    return np.array([-1 - row if who is None else who for row, who in enumerate(given)], dtype=np.int64)


def _mean(difference: Float, group: npt.NDArray[np.int64]) -> float:
    """Each patient weighs as much as any other."""
    return float(np.mean([difference[group == who].mean() for who in np.unique(group)]))


def _sd(difference: Float, group: npt.NDArray[np.int64]) -> float:
    """Of one difference: from the variances between and within patients."""
    _, which, sizes = np.unique(group, return_inverse=True, return_counts=True)
    means = np.bincount(which, weights=difference) / sizes
    if (sizes == 1).all():
        return float(difference.std(ddof=1))
    within = float(((difference - means[which]) ** 2).sum() / (len(difference) - len(sizes)))
    between_square = float((sizes * (means - difference.mean()) ** 2).sum() / (len(sizes) - 1))
    # the number of differences a patient gives, as the analysis of variance counts it where numbers are unequal
    each = (sizes.sum() - (sizes**2).sum() / sizes.sum()) / (len(sizes) - 1)
    between = max((between_square - within) / each, 0.0)
    return float(np.sqrt(between + within))
