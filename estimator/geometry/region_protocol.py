"""Protocol of a region of space: points inside, and covered shares of small places."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from canalwise.estimator.geometry.bricks import Bricks
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask

Share = npt.NDArray[np.float32]


class Covered(NamedTuple):
    """Covered shares of N places in bricks.

    Parameters
    ----------
    places : (n,) array, which of them it holds, wholly or in part, in the order of the bricks
    share : (n,) array, share of each one's samples that lies inside, above 0
    """

    places: npt.NDArray[np.int64]
    share: Share


class Region(Protocol):
    """A part of space: which points it holds, and how much of small places."""

    def holds(self, points_mm: Float) -> Mask:
        """(N,) array: is each (N, 3) RAS point inside?"""
        ...

    def covered(self, bricks: Bricks) -> Covered:
        """Share of each place that lies inside."""
        ...


class SignedRegion(ABC):
    """A region given by a signed depth alone."""

    @abstractmethod
    def depth_mm(self, points_mm: Float) -> Float:
        """(N,) array of signed depths of (N, 3) RAS points: negative inside, changing by 1 mm per mm at most."""

    def holds(self, points_mm: Float) -> Mask:
        """(N,) array: is each (N, 3) RAS point inside?"""
        return np.asarray(self.depth_mm(points_mm) < 0)

    def covered(self, bricks: Bricks) -> Covered:
        """Share of each place that lies inside; only samples of places at the border are tested one by one."""
        points = bricks.points_mm.T
        depth = self.depth_mm(points)
        share = (depth < 0).astype(np.float32)
        border = np.abs(depth) <= bricks.half_mm
        inside = np.zeros(int(border.sum()), dtype=np.float32)
        for offset in bricks.samples_mm.T:  # one at a time keeps memory at one point per border place
            inside += self.holds(points[border] + offset)
        share[border] = inside / bricks.samples_mm.shape[1]
        places = np.flatnonzero(share)
        return Covered(places, share[places])
