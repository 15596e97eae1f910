"""Docking heights: where a sleeve lowered onto the laminae meets bone, over the whole window at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from canalwise.estimator.level.level_bone import LevelBone
from canalwise.estimator.planning.canal_entry import canal_entry_in_view
from canalwise.estimator.planning.default_approach import DOCKING_SEARCH_MM, MIDLINE_BONE, first_direction
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side, bone_mask

STEP_MM = 1.0
"""Spacing of the map."""

HALF_MM = 24.0
"""The map reaches this far to all sides of the window's centre."""

BONE_FRAC = 0.5
"""A voxel with at least this much bone can carry a sleeve."""


@dataclass(frozen=True, eq=False)
class DockingMap:
    """Heights at which a sleeve rests, across the first direction of an approach.

    Parameters
    ----------
    centre_mm : (3,) array, level frame, of the window
    normal, cranial : (3,) unit arrays, level frame: out of the patient, and cranial across it
    toward_side : 1 for the left, -1 for the right
    height_mm : (n, n) array over (lateral, cranial) offsets from the centre, STEP_MM apart
    """

    centre_mm: Float
    normal: Float
    cranial: Float
    toward_side: float
    height_mm: Float

    def points_mm(self, lateral_mm: Float, cranial_mm: Float) -> Float:
        """(A, 3) array, level frame: docking points.

        Parameters
        ----------
        lateral_mm : (A,) array, from the midline toward the side of the approach
        cranial_mm : (A,) array, from the window's centre, across the normal
        """
        offset = lateral_mm - self.toward_side * self.centre_mm[0]
        index = (np.stack([offset, cranial_mm]) + HALF_MM) / STEP_MM
        height = ndimage.map_coordinates(self.height_mm, index, order=1, mode="nearest")
        base = self.centre_mm * np.array([0.0, 1.0, 1.0]) + np.multiply.outer(cranial_mm, self.cranial)
        base[:, 0] += self.toward_side * lateral_mm
        return np.asarray(base + np.multiply.outer(height, self.normal))


def docking_map(level: Level, level_bone: LevelBone, side: Side, sleeve_radius_mm: float) -> DockingMap:
    """The map of one side: every sleeve lowered at once, each as `default_approach.docking_point_mm` lowers one.

    A sleeve rests on the first lamina or joint within its radius; over an open window on the window's own depth.
    Spinous processes carry no sleeve: it stands beside them, and what it meets of them counts as taken.
    """
    normal, centre = -first_direction(level, side), canal_entry_in_view(level, side).centre_mm
    cranial, toward_side = np.array([0.0, -normal[2], normal[1]]), 1.0 if side == "left" else -1.0
    bone = bone_mask(level_bone.labels) & (level_bone.bone_mm3 >= BONE_FRAC * level_bone.grid.voxel_mm3)
    bone &= ~np.isin(level_bone.labels % 100, MIDLINE_BONE)
    offset = level.frame.to_level_mm(level_bone.grid.world_mm(np.argwhere(bone))) - centre
    height = offset @ normal
    cell = np.rint((np.stack([offset[:, 0] * toward_side, offset @ cranial]) + HALF_MM) / STEP_MM).astype(int)
    size = round(2 * HALF_MM / STEP_MM) + 1
    there = (height > 0) & (height < DOCKING_SEARCH_MM) & ((cell >= 0) & (cell < size)).all(axis=0)
    highest = np.zeros((size, size))
    np.maximum.at(highest, tuple(cell[:, there]), height[there])
    return DockingMap(centre, normal, cranial, toward_side, _resting(highest, sleeve_radius_mm))


def _resting(highest_mm: Float, radius_mm: float) -> Float:
    """The greatest height within a radius of each cell."""
    reach = np.arange(-np.floor(radius_mm / STEP_MM), np.floor(radius_mm / STEP_MM) + 1) * STEP_MM
    disc = np.hypot(*np.meshgrid(reach, reach)) < radius_mm
    return np.asarray(ndimage.maximum_filter(highest_mm, footprint=disc, mode="nearest"))
