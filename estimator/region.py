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
from estimator.solid import paths_distance_mm, swept_bounds_mm, swept_distance_mm
from recon.grid import Float
from recon.labels import Mask

NEAR_MM = 1.5
"""Sight is looked at this far outside a solid; no voxel that may be scanned has a longer half diagonal."""


class Region(Protocol):
    """A part of space: its bounds, a signed depth, and a yes or no."""

    @property
    def bounds_ras_mm(self) -> tuple[Float, Float]:
        """(low, high) corners of an upright box that holds it."""
        ...

    def depth_mm(self, points_mm: Float) -> Float:
        """(N,) array of signed depths of (N, 3) RAS points: negative inside, 1-Lipschitz near the border."""
        ...

    def holds(self, points_mm: Float) -> Mask:
        """(N,) array: is each (N, 3) RAS point inside? The sign of `depth_mm`, found faster."""
        ...


def _in_sight_mm(solid_mm: Float, points_mm: Float, pivot_mm: Float, keep_out: KeepOut) -> Float:
    """max(solid, -sight): inside both, or the larger distance to being so."""
    depth = solid_mm.copy()
    near = solid_mm < NEAR_MM
    if near.any():
        depth[near] = np.maximum(solid_mm[near], -keep_out.sight_mm(pivot_mm, points_mm[near]))
    return depth


def _also_in_sight(held: Mask, solid_mm: Float, points_mm: Float, pivot_mm: Float, keep_out: KeepOut) -> Mask:
    """`held`, united with the points inside a solid and in sight of its pivot."""
    asked = ~held & (solid_mm < 0)
    held[asked] = keep_out.sight_mm(pivot_mm, points_mm[asked], give_up_mm=0.0) > 0
    return held


@dataclass(frozen=True, eq=False)
class ConeRegion:
    """All that the sweeping channel can take: the union over phases."""

    phases: tuple[PlacedPhase, ...]
    keep_out: KeepOut

    @property
    def bounds_ras_mm(self) -> tuple[Float, Float]:
        """(low, high) corners of an upright box that holds it."""
        lows, highs = zip(*(swept_bounds_mm(phase) for phase in self.phases), strict=True)
        return np.min(lows, axis=0), np.max(highs, axis=0)

    def depth_mm(self, points_mm: Float) -> Float:
        """(N,) array of signed depths of (N, 3) RAS points."""
        depths = [
            _in_sight_mm(swept_distance_mm(points_mm, phase), points_mm, phase.pivot_ras_mm, self.keep_out)
            for phase in self.phases
        ]
        return np.asarray(np.min(depths, axis=0))

    def holds(self, points_mm: Float) -> Mask:
        """(N,) array: is each (N, 3) RAS point inside?"""
        held = np.zeros(len(points_mm), dtype=bool)
        for phase in self.phases:
            held = _also_in_sight(
                held, swept_distance_mm(points_mm, phase), points_mm, phase.pivot_ras_mm, self.keep_out
            )
        return held


@dataclass(frozen=True, eq=False)
class TaskRegion:
    """Only what a straight rigid instrument needs to touch given targets.

    `paths` pairs each pivot (3,) with the (M, 3) targets touched from it.
    """

    paths: tuple[tuple[Float, Float], ...]
    channel: Channel
    keep_out: KeepOut

    @property
    def bounds_ras_mm(self) -> tuple[Float, Float]:
        """(low, high) corners of an upright box that holds it; an empty one when there are no targets."""
        ends = [np.vstack([pivot, targets]) for pivot, targets in self.paths if len(targets)]
        corners = np.concatenate(ends) if ends else np.zeros((1, 3))
        return corners.min(axis=0) - self.channel.scope_radius_mm, corners.max(axis=0) + self.channel.scope_radius_mm

    def depth_mm(self, points_mm: Float) -> Float:
        """(N,) array of signed depths of (N, 3) RAS points."""
        depths = [np.full(len(points_mm), np.inf)]
        for pivot, targets in self.paths:
            depths.append(_in_sight_mm(self._solid_mm(points_mm, pivot, targets), points_mm, pivot, self.keep_out))
        return np.asarray(np.min(depths, axis=0))

    def holds(self, points_mm: Float) -> Mask:
        """(N,) array: is each (N, 3) RAS point inside?"""
        held = np.zeros(len(points_mm), dtype=bool)
        for pivot, targets in self.paths:
            held = _also_in_sight(held, self._solid_mm(points_mm, pivot, targets), points_mm, pivot, self.keep_out)
        return held

    def _solid_mm(self, points_mm: Float, pivot_mm: Float, targets_mm: Float) -> Float:
        channel = self.channel
        instrument = (channel.scope_radius_mm, channel.tool_radius_mm, channel.working_distance_mm)
        return paths_distance_mm(points_mm, pivot_mm, targets_mm, instrument)
