"""Batches of points evaluated together, so that solids far from all of them can be skipped."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from typing import Any, TypeVar, cast

import numpy as np
import numpy.typing as npt

from canalwise.phantoms.solid.signed_distance import Solid
from canalwise.recon.grid import Float

T = TypeVar("T")

FAR_MM = 9.0
"""No distance is reported beyond this: solids whose box is farther from every point need not be evaluated."""

Box = tuple[Float, Float]
"""Low and high corner, RAS mm."""


def box_around(points_mm: npt.ArrayLike, margin_mm: float = 0.0) -> Box:
    """The axis-aligned box of (N, 3) points, grown by a margin.

    >>> [corner.tolist() for corner in box_around([[0, 0, 0], [2, 1, 0]], 1.0)]
    [[-1.0, -1.0, -1.0], [3.0, 2.0, 1.0]]
    """
    points = np.asarray(points_mm, dtype=float).reshape(-1, 3)
    columns = np.ascontiguousarray(points.T)
    return columns.min(axis=1) - margin_mm, columns.max(axis=1) + margin_mm


@dataclass(frozen=True, eq=False)
class Batch:
    """(N, 3) world points with their box; `known` keeps what was already computed for them, for reading only."""

    points_mm: Float
    low_mm: Float
    high_mm: Float
    known: dict[Hashable, Any] = field(default_factory=dict)

    def once(self, key: Hashable, compute: Callable[[], T]) -> T:
        """What `compute` gives, computed the first time that a key is asked for.

        >>> batch = batch_of(np.zeros((1, 3)))
        >>> batch.once("answer", lambda: 42), batch.once("answer", lambda: 0)
        (42, 42)
        """
        if key not in self.known:
            self.known[key] = compute()
        return cast(T, self.known[key])

    def far_from(self, box: Box) -> bool:
        """Is the batch's box farther than FAR_MM from another along some axis?"""
        low, high = box
        mine, top = self.low_mm, self.high_mm
        return any(mine[i] > high[i] + FAR_MM or top[i] < low[i] - FAR_MM for i in range(3))

    def far(self) -> Float:
        """(N,) array of FAR_MM."""
        return np.full(len(self.points_mm), FAR_MM)

    def distance_mm(self, solid: Solid) -> Float:
        """(N,) array: the solid's distance, FAR_MM at most."""
        if self.far_from(solid.box_mm()):
            return self.far()
        return np.minimum(solid.distance_mm(self.points_mm), FAR_MM)


def batch_of(points_mm: Float) -> Batch:
    """(N, 3) world points, N >= 1, as a batch.

    >>> batch_of(np.zeros((4, 3))).far_from((np.full(3, 10.0), np.full(3, 20.0)))
    True
    """
    low, high = box_around(points_mm)
    return Batch(points_mm, low, high)
