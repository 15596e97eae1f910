"""Learning curve of a number over a surgeon's experience: rows by their order, a running median over neighbours.

Orders are whole numbers, never dates. A cumulative sum of differences from the median of all shows where a run of
better or worse cases begins (cumulative sums: Page 1954, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

WINDOW = 9
"""Rows of which a running median is taken (choice); fewer at the ends."""

LEAST_ROWS = 5
"""Of fewer no curve is drawn (choice)."""


@dataclass(frozen=True)
class LearningCurve:
    """Rows in their order: the number, its running median, and the cumulative sum of differences from its median."""

    order: tuple[int, ...]
    values: tuple[float, ...]
    running_median: tuple[float, ...]
    cumulative: tuple[float, ...]


def learning_curve_of(order: Sequence[int | None], values: Sequence[float | None]) -> LearningCurve | None:
    """The curve of the rows that hold both; None where these are fewer than LEAST_ROWS.

    >>> learning_curve_of([5, 1, 2, 3, 4], [1.0, 5.0, 4.0, 3.0, 2.0]).values
    (5.0, 4.0, 3.0, 2.0, 1.0)
    """
    rows = sorted((int(o), float(v)) for o, v in zip(order, values, strict=True) if o is not None and v is not None)
    if len(rows) < LEAST_ROWS:
        return None
    number = np.array([value for _, value in rows])
    half = WINDOW // 2
    running = [float(np.median(number[max(i - half, 0) : i + half + 1])) for i in range(len(number))]
    summed = np.cumsum(number - np.median(number))
    return LearningCurve(
        tuple(o for o, _ in rows), tuple(number.tolist()), tuple(running), tuple(float(s) for s in summed)
    )
