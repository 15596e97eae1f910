"""Pose of a part: an origin and three axes (left, dorsal, cranial) in RAS."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.recon.grid import Float


@dataclass(frozen=True, eq=False)
class Pose:
    """A local frame: x to the patient's left, y dorsal, z cranial.

    `axes_ras` has the unit axes as rows.

    >>> upright = Pose(np.zeros(3), np.diag([-1.0, -1.0, 1.0]))
    >>> upright.to_world_mm([10.0, 5.0, 2.0]).tolist()
    [-10.0, -5.0, 2.0]
    """

    origin_ras_mm: Float
    axes_ras: Float

    def to_local_mm(self, world_mm: npt.ArrayLike) -> Float:
        """(..., 3) array of local coordinates of RAS points."""
        # columns are kept contiguous: everything downstream works on x, y and z apart
        world = np.asarray(world_mm, dtype=float)
        shift = (self.axes_ras @ self.origin_ras_mm).reshape(3, *([1] * (world.ndim - 1)))
        return np.moveaxis(np.tensordot(self.axes_ras, world, axes=(1, -1)) - shift, 0, -1)

    def to_world_mm(self, local_mm: npt.ArrayLike) -> Float:
        """(..., 3) array of RAS mm of local points."""
        return np.asarray(local_mm, dtype=float) @ self.axes_ras + self.origin_ras_mm

    def direction_ras(self, local: npt.ArrayLike) -> Float:
        """(..., 3) array: a local direction in RAS."""
        return np.asarray(local, dtype=float) @ self.axes_ras

    def moved(self, local_mm: npt.ArrayLike) -> Pose:
        """The same axes about another local origin."""
        return Pose(self.to_world_mm(local_mm), self.axes_ras)


def turn(axis: int, angle_deg: float) -> Float:
    """(3, 3) array with rows = axes of a frame turned about one of its own axes (right-hand rule).

    >>> turn(2, 90.0).round(6).tolist()[0]
    [0.0, 1.0, 0.0]
    """
    cosine, sine = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    one, two = (axis + 1) % 3, (axis + 2) % 3
    rows = np.eye(3)
    rows[one, one] = rows[two, two] = cosine
    rows[one, two], rows[two, one] = sine, -sine
    return rows
