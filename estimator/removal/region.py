"""The region an approach takes away, one kind per kind of removal.

A point is taken when it lies in a phase's solid *and* the straight line from that phase's pivot clears the keep-out.
Which structures are protected is a matter of labels and is applied where voxels are counted.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from canalwise.estimator.approach.approach import PlacedPhase
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.geometry.bricks import Bricks
from canalwise.estimator.geometry.cone_arrays import ConeArrays, cone_arrays_of_lines, cone_arrays_of_phases
from canalwise.estimator.geometry.coverage import bricks_near, cover, held
from canalwise.estimator.geometry.region_protocol import Covered
from canalwise.estimator.level.keep_out import KeepOut
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask


class SightedRegion(ABC):
    """What lies on paths from pivots and is seen from them past a keep-out."""

    keep_out: KeepOut

    @property
    @abstractmethod
    def solids(self) -> ConeArrays:
        """The solids, as compiled loops take them."""

    def holds(self, points_mm: Float) -> Mask:
        """(N,) array: is each (N, 3) RAS point inside?"""
        out = np.empty(len(points_mm), dtype=bool)
        held(self.solids, self.keep_out.field, np.ascontiguousarray(points_mm, dtype=float), out)
        return out

    def covered(self, bricks: Bricks) -> Covered:
        """Share of each place that lies inside."""
        count = len(bricks.order)
        places, share = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.float32)
        if not count:
            return Covered(places, share)
        near = bricks_near(bricks, self.solids)
        end = cover(bricks, self.solids, self.keep_out.field, near, places, share)
        return Covered(places[:end], share[:end])


@dataclass(frozen=True, eq=False)
class ConeRegion(SightedRegion):
    """All that the sweeping channel can take: the union over phases."""

    phases: tuple[PlacedPhase, ...]
    keep_out: KeepOut

    @cached_property
    def solids(self) -> ConeArrays:
        """One path per phase."""
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
    def solids(self) -> ConeArrays:
        """One path per pivot that has targets."""
        return cone_arrays_of_lines(self.paths, self.channel)
