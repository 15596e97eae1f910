"""Solids as signed distance bounds: negative inside, in mm, never steeper than one.

Every solid is a frozen value with `distance_mm(points)`, an axis-aligned box that
holds it, and a mirror image across x = 0. Distances are exact outside or a bound
from below, so `distance > h` proves that a ball of radius h is free of the solid.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from canalwise.phantoms.solid.pose import Pose
from canalwise.recon.grid import Float

MIRROR = np.array([-1.0, 1.0, 1.0])


class Solid(Protocol):
    """What every solid offers."""

    def distance_mm(self, points_mm: Float) -> Float:
        """(N,) array of signed distance bounds of (N, 3) points."""

    def box_mm(self) -> tuple[Float, Float]:
        """Low and high corner of an axis-aligned box around the solid."""

    def mirrored(self) -> Solid:
        """The solid reflected in the plane x = 0."""

    def placed(self, pose: Pose) -> Solid:
        """The solid, given in a pose's local frame, transformed into the world."""


@dataclass(frozen=True, eq=False)
class Capsule:
    """All points within a radius of a segment; the radius runs linearly from one end to the other.

    >>> rod = Capsule(np.zeros(3), np.array([0.0, 0, 10]), 2.0, 2.0)
    >>> rod.distance_mm(np.array([[5.0, 0, 5], [0, 0, 13]])).tolist()
    [3.0, 1.0]
    """

    start_mm: Float
    end_mm: Float
    start_radius_mm: float
    end_radius_mm: float

    def distance_mm(self, points_mm: Float) -> Float:
        """(N,) array of signed distances (a bound where the radii differ)."""
        axis = self.end_mm - self.start_mm
        x, y, z = points_mm.T - self.start_mm[:, None]
        share = np.clip((x * axis[0] + y * axis[1] + z * axis[2]) / max(float(axis @ axis), 1e-12), 0.0, 1.0)
        outside = (x - share * axis[0]) ** 2 + (y - share * axis[1]) ** 2 + (z - share * axis[2]) ** 2
        found: Float = np.sqrt(outside) - (self.start_radius_mm + share * (self.end_radius_mm - self.start_radius_mm))
        return found

    def box_mm(self) -> tuple[Float, Float]:
        """Low and high corner of the box around both end balls."""
        low = np.minimum(self.start_mm - self.start_radius_mm, self.end_mm - self.end_radius_mm)
        return low, np.maximum(self.start_mm + self.start_radius_mm, self.end_mm + self.end_radius_mm)

    def mirrored(self) -> Capsule:
        """The capsule of the other side."""
        return Capsule(self.start_mm * MIRROR, self.end_mm * MIRROR, self.start_radius_mm, self.end_radius_mm)

    def placed(self, pose: Pose) -> Capsule:
        """The capsule in the world."""
        return Capsule(
            pose.to_world_mm(self.start_mm), pose.to_world_mm(self.end_mm), self.start_radius_mm, self.end_radius_mm
        )


@dataclass(frozen=True, eq=False)
class RoundedBox:
    """A box with rounded edges; `axes` has the unit edge directions as rows.

    >>> box = RoundedBox(np.zeros(3), np.eye(3), np.array([4.0, 5, 6]), 1.0)
    >>> box.distance_mm(np.array([[6.0, 0, 0], [0, 0, 0]])).tolist()
    [2.0, -4.0]
    """

    centre_mm: Float
    axes: Float
    half_mm: Float
    rounding_mm: float

    def distance_mm(self, points_mm: Float) -> Float:
        """(N,) array of exact signed distances."""
        core = (self.half_mm - self.rounding_mm)[:, None]
        across, along, up = np.abs(self.axes @ points_mm.T - (self.axes @ self.centre_mm)[:, None]) - core
        inside = np.minimum(np.maximum(np.maximum(across, along), up), 0.0)
        outside = np.maximum(across, 0.0) ** 2 + np.maximum(along, 0.0) ** 2 + np.maximum(up, 0.0) ** 2
        found: Float = np.sqrt(outside) + inside - self.rounding_mm
        return found

    def box_mm(self) -> tuple[Float, Float]:
        """Low and high corner of the axis-aligned box around it."""
        reach = np.abs(self.axes.T) @ self.half_mm
        return self.centre_mm - reach, self.centre_mm + reach

    def mirrored(self) -> RoundedBox:
        """The box of the other side."""
        return RoundedBox(self.centre_mm * MIRROR, self.axes * MIRROR, self.half_mm, self.rounding_mm)

    def placed(self, pose: Pose) -> RoundedBox:
        """The box in the world."""
        return RoundedBox(pose.to_world_mm(self.centre_mm), self.axes @ pose.axes_ras, self.half_mm, self.rounding_mm)


def smooth_max(first: Float, second: Float, width_mm: float) -> Float:
    """The larger of two fields with the crease rounded over `width_mm` (quadratic blend, never below the larger).

    >>> smooth_max(np.array([0.0, 9.0]), np.array([0.0, 0.0]), 4.0).tolist()
    [1.0, 9.0]
    """
    overlap = np.maximum(width_mm - np.abs(first - second), 0.0)
    return np.maximum(first, second) + overlap * overlap / (4.0 * width_mm)


def smooth_min(first: Float, second: Float, width_mm: float) -> Float:
    """The smaller of two fields with the crease filled over `width_mm`.

    >>> smooth_min(np.array(5.0), np.array(1.0), 0.5).tolist()  # far apart: the lesser
    1.0
    """
    return -smooth_max(-first, -second, width_mm)


def smooth_step(value: Float, low: float, high: float) -> Float:
    """0 below low, 1 above high, a cubic between.

    >>> smooth_step(np.array([0.0, 1.0, 2.0]), 0.0, 2.0).tolist()
    [0.0, 0.5, 1.0]
    """
    share = np.clip((value - low) / (high - low), 0.0, 1.0)
    return share * share * (3.0 - 2.0 * share)
