"""Surgeons beside each other: how often each one's plans or results succeed, and how far chance alone would take them.

A funnel plot has exact binomial limits about the share of all (Spiegelhalter 2005, from memory): a surgeon inside them
differs from the rest by no more than chance. Surgeons are numbers, never names.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import binom

TAILS = {"95 %": 0.025, "99.8 %": 0.001}
"""Name of a limit -> chance beyond it on either side (common practice for funnel plots, from memory)."""


@dataclass(frozen=True)
class FunnelPoint:
    """One surgeon: rows, those that succeed, and whether that is outside the limits of 99.8 %."""

    surgeon: int
    count: int
    successes: int
    outside: bool

    @property
    def share(self) -> float:
        """Share that succeeds.

        >>> FunnelPoint(1, 20, 15, False).share
        0.75
        """
        return self.successes / self.count


def funnel_of(surgeons: Sequence[int | None], success: Sequence[bool | None]) -> tuple[FunnelPoint, ...]:
    """A point for each surgeon, in the order of their numbers; rows that lack either are left out.

    >>> [(point.surgeon, point.share) for point in funnel_of([1, 1, 2, None], [True, False, True, True])]
    [(1, 0.5), (2, 1.0)]
    """
    rows = [(who, bool(good)) for who, good in zip(surgeons, success, strict=True) if None not in (who, good)]
    if not rows:
        return ()
    overall = sum(good for _, good in rows) / len(rows)
    points = []
    for who in sorted({int(who) for who, _ in rows if who is not None}):
        mine = [good for other, good in rows if other == who]
        low, high = funnel_limits(overall, len(mine), TAILS["99.8 %"])
        points.append(FunnelPoint(who, len(mine), sum(mine), not low <= sum(mine) / len(mine) <= high))
    return tuple(points)


def funnel_limits(overall: float, count: int, tail: float) -> tuple[float, float]:
    """(low, high) share that chance exceeds in at most `tail` of samples of `count` on either side.

    >>> funnel_limits(0.5, 10, 0.025)
    (0.2, 0.8)
    """
    low, high = (float(binom.ppf(share, count, overall)) / count for share in (tail, 1 - tail))
    return low, high


def funnel_curve(overall: float, counts: Sequence[int], tail: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """The limits at several counts: lows and highs.

    >>> lows, highs = funnel_curve(0.5, (4, 100), 0.025)
    >>> lows[0] < lows[1] < 0.5 < highs[1] < highs[0]
    True
    """
    ends = np.array([funnel_limits(overall, count, tail) for count in counts]).reshape(-1, 2)
    return tuple(ends[:, 0].tolist()), tuple(ends[:, 1].tolist())
