"""Level frames of a phantom: the disc's axes about the canal's centroid in the disc's mid-plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.solid.point_batch import batch_of
from canalwise.phantoms.solid.pose import Pose
from canalwise.recon.grid import Float

PLANE_STEP_MM = 0.1
"""Lattice step of plane quadratures."""

PLANE_HALF_MM = 32.0


@dataclass(frozen=True, eq=False)
class CanalSection:
    """A plane across some pose's z: lattice points (x, y) and the canal's distance there."""

    x_mm: Float
    y_mm: Float
    wall_mm: Float
    world_mm: Float

    def area_mm2(self, distance_mm: Float | None = None) -> float:
        """Area where a distance (the canal's wall by default) is negative; sub-lattice by a linear edge."""
        return float(self._share(distance_mm).sum() * PLANE_STEP_MM**2)

    def centroid_mm(self) -> Float:
        """(2,) array: centroid (x, y) of the canal's section."""
        share = self._share(None)
        found: Float = np.array([(share * self.x_mm).sum(), (share * self.y_mm).sum()]) / share.sum()
        return found

    def _share(self, distance_mm: Float | None) -> Float:
        distance = self.wall_mm if distance_mm is None else distance_mm
        # a cell cut by a straight edge at distance d from its centre is filled about 0.5 - d / step
        return np.clip(0.5 - distance / PLANE_STEP_MM, 0.0, 1.0)


def canal_section(spine: Spine, pose: Pose, z_mm: float) -> CanalSection:
    """The canal cut by the plane at height z of a pose, on a lattice of PLANE_STEP_MM about the pose's z axis."""
    steps = np.arange(-PLANE_HALF_MM, PLANE_HALF_MM, PLANE_STEP_MM) + PLANE_STEP_MM / 2
    x, y = (a.ravel() for a in np.meshgrid(steps, steps, indexing="ij"))
    world = pose.to_world_mm(np.stack([x, y, np.full(len(x), z_mm)], axis=-1))
    return CanalSection(x, y, spine.canal.walls_mm(batch_of(world))[1], world)


def level_frame(spine: Spine, level: str) -> Pose:
    """The level frame: origin at the canal's centroid in the disc's mid-plane, z normal to the disc.

    >>> from canalwise.phantoms.spec import SpineSpec
    >>> from canalwise.phantoms.anatomy.spine import spine_of
    >>> bool(abs(level_frame(spine_of(SpineSpec()), "L3-L4").origin_ras_mm[0]) < 1e-6)
    True
    """
    disc = spine.poses[level].moved([0.0, 8.0, 0.0])
    x, y = canal_section(spine, disc, 0.0).centroid_mm()
    return disc.moved([x, y, 0.0])
