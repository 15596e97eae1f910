"""The region an approach takes away, one kind per kind of removal.

A point is taken when it lies in a phase's solid *and* the straight line from that phase's pivot clears the keep-out.
Which structures are protected is a matter of labels and is applied where voxels are counted.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import PlacedPhase
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.geometry.bricks import Bricks
from canalwise.estimator.geometry.cone_arrays import ConeArrays, cone_arrays_of_lines, cone_arrays_of_phases
from canalwise.estimator.geometry.coverage import cover, held
from canalwise.estimator.removal.keep_out import KeepOut
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask

Share = npt.NDArray[np.float32]


class Covered(NamedTuple):
    """What a region holds of N places in bricks.

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
        """How much of each place lies inside."""
        ...


class SignedRegion(ABC):
    """A region told by a signed depth alone."""

    @abstractmethod
    def depth_mm(self, points_mm: Float) -> Float:
        """(N,) array of signed depths of (N, 3) RAS points: negative inside, changing by 1 mm per mm at most."""

    def holds(self, points_mm: Float) -> Mask:
        """(N,) array: is each (N, 3) RAS point inside?"""
        return np.asarray(self.depth_mm(points_mm) < 0)

    def covered(self, bricks: Bricks) -> Covered:
        """How much of each place lies inside; only samples of places at the border are asked one by one."""
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


class SightedRegion(ABC):
    """What lies on ways from pivots and is seen from them past a keep-out."""

    keep_out: KeepOut

    @property
    @abstractmethod
    def ways(self) -> ConeArrays:
        """The solids, as compiled loops take them."""

    def holds(self, points_mm: Float) -> Mask:
        """(N,) array: is each (N, 3) RAS point inside?"""
        out = np.empty(len(points_mm), dtype=bool)
        held(self.ways, self.keep_out.field, np.ascontiguousarray(points_mm, dtype=float), out)
        return out

    def covered(self, bricks: Bricks) -> Covered:
        """How much of each place lies inside."""
        count = len(bricks.order)
        places, share = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.float32)
        end = cover(bricks, self.ways, self.keep_out.field, places, share) if count else 0
        return Covered(places[:end], share[:end])


@dataclass(frozen=True, eq=False)
class ConeRegion(SightedRegion):
    """All that the sweeping channel can take: the union over phases."""

    phases: tuple[PlacedPhase, ...]
    keep_out: KeepOut

    @cached_property
    def ways(self) -> ConeArrays:
        """One way per phase."""
        return cone_arrays_of_phases(self.phases)


@dataclass(frozen=True, eq=False)
class TaskRegion(SightedRegion):
    """Only what a straight rigid instrument needs to touch given targets.

    `paths` pairs each pivot (3,) with the (M, 3) targets touched from it.
    """

    paths: tuple[tuple[Float, Float], ...]
    channel: Channel
    keep_out: KeepOut

    @cached_property
    def ways(self) -> ConeArrays:
        """One way per pivot that has targets."""
        return cone_arrays_of_lines(self.paths, self.channel)
