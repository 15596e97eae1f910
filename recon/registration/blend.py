"""A smooth motion for what lies between vertebrae: each vertebra's own near it, a mean of neighbours' between them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import edt
import numpy as np

from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.sampling import linear_at
from canalwise.recon.labels import Labels, vertebra_mask, vertebra_number
from canalwise.recon.registration.rigid_motion import RigidMotion

SOFTEN_MM = 1.0
"""Distance at which a vertebra's say begins to fall off."""

FALL = 4.0
"""Power of the distance by which it falls: a vertebra that is touched outweighs one 8 mm away a thousand times."""


@dataclass(frozen=True, eq=False)
class BlendedMotion:
    """Rigid motions of vertebrae, blended by how near each lies.

    Parameters
    ----------
    grid : of the fixed scan's labels
    motions : vertebra -> its motion
    distance_mm : vertebra -> (nx, ny, nz) array, distance to its bone
    """

    grid: Grid
    motions: Mapping[str, RigidMotion]
    distance_mm: Mapping[str, Float]

    def moved_mm(self, points_mm: Float) -> Float:
        """(N, 3) array of moving RAS mm of (N, 3) fixed points."""
        index = np.clip(self.grid.index_of(points_mm), 0, np.array(self.grid.shape) - 1)
        total, weights = np.zeros((len(points_mm), 3)), np.zeros(len(points_mm))
        for vertebra, motion in self.motions.items():
            weight = (linear_at(self.distance_mm[vertebra], index) / SOFTEN_MM + 1.0) ** -FALL
            total += weight[:, None] * motion.moved_mm(points_mm)
            weights += weight
        return np.asarray(total / weights[:, None])


def blended(labels: Labels, grid: Grid, motions: Mapping[str, RigidMotion]) -> BlendedMotion:
    """The blend of at least one vertebra's motions.

    >>> labels = np.zeros((9, 1, 1), dtype=np.uint16); labels[0], labels[8] = 2201, 2301
    >>> apart = {"L3": RigidMotion.of(np.eye(3), [0, 0, 0]), "L4": RigidMotion.of(np.eye(3), [0, 0, 2])}
    >>> blended(labels, Grid((9, 1, 1), np.eye(4)), apart).moved_mm(np.array([[0.0, 0, 0], [4.0, 0, 0]]))[:, 2].round(2)
    array([0., 1.])
    """
    spacing = tuple(float(s) for s in grid.spacing_mm)
    away = {
        vertebra: np.asarray(
            edt.edt(np.asfortranarray(~vertebra_mask(labels, vertebra_number(vertebra))), anisotropy=spacing)
        )
        for vertebra in motions
    }
    return BlendedMotion(grid, dict(motions), away)
