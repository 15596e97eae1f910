"""The region an approach takes away, as one signed field per kind of removal.

A point is taken when the field is negative: it lies in a phase's solid *and* the straight
line from that phase's pivot clears the keep-out. Which structures are protected is a
matter of labels and is applied where voxels are counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from estimator.approach import PlacedPhase
from estimator.channel import Channel
from estimator.keepout import KeepOut
from estimator.solid import paths_distance_mm, swept_distance_mm
from recon.grid import Float

FAR_MM = 3.0
"""Points further than this outside the solid are not looked at for sight."""


class Region(Protocol):
    """Anything with a signed depth in mm, negative inside, 1-Lipschitz near its border."""

    def depth_mm(self, points_mm: Float) -> Float:
        """(N,) array of signed depths of (N, 3) RAS points."""
        ...


def _in_sight(solid_mm: Float, points_mm: Float, pivot_mm: Float, keep_out: KeepOut) -> Float:
    """max(solid, -sight): inside both, or the larger distance to being so."""
    depth = solid_mm.copy()
    near = solid_mm < FAR_MM
    if near.any():
        depth[near] = np.maximum(solid_mm[near], -keep_out.sight_mm(pivot_mm, points_mm[near]))
    return depth


@dataclass(frozen=True, eq=False)
class ConeRegion:
    """All that the sweeping channel can take: the union over phases."""

    phases: tuple[PlacedPhase, ...]
    keep_out: KeepOut

    def depth_mm(self, points_mm: Float) -> Float:
        """(N,) array of signed depths of (N, 3) RAS points."""
        depths = [
            _in_sight(swept_distance_mm(points_mm, p), points_mm, p.pivot_ras_mm, self.keep_out) for p in self.phases
        ]
        return np.asarray(np.min(depths, axis=0))


@dataclass(frozen=True, eq=False)
class TaskRegion:
    """Only what a straight rigid instrument needs to touch given targets.

    `paths` pairs each pivot (3,) with the (M, 3) targets touched from it.
    """

    paths: tuple[tuple[Float, Float], ...]
    channel: Channel
    keep_out: KeepOut

    def depth_mm(self, points_mm: Float) -> Float:
        """(N,) array of signed depths of (N, 3) RAS points."""
        instrument = (self.channel.scope_radius_mm, self.channel.tool_radius_mm, self.channel.working_distance_mm)
        depths = [
            _in_sight(paths_distance_mm(points_mm, pivot, targets, instrument), points_mm, pivot, self.keep_out)
            for pivot, targets in self.paths
        ]
        return np.asarray(np.min(depths, axis=0)) if depths else np.full(len(points_mm), np.inf)
