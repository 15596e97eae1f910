"""The bony canal of a whole spine: the vertebrae's tubes blended across the discs, and its contents."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.phantoms.anatomy.soft_tissue import calcified_mm, flavum_mm, root, sac_mm
from canalwise.phantoms.solid.canal_section import Tube, encroachment_mm
from canalwise.phantoms.solid.dimensions import LevelSize
from canalwise.phantoms.solid.point_batch import FAR_MM, Batch, Box, batch_of
from canalwise.phantoms.solid.pose import Pose
from canalwise.phantoms.solid.signed_distance import smooth_step
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Labels, Tissue, level_vertebrae

BLEND_HALF_MM = 8.0
"""Half-height of the band about each disc over which neighbouring tubes are blended."""

ROOT_FROM_WALL_MM = 0.3


@dataclass(frozen=True, eq=False)
class Canal:
    """The canal of a spine: tubes of vertebrae, poses of vertebrae and discs, world boxes of what each affects."""

    poses: dict[str, Pose]
    tubes: dict[str, Tube]
    levels: dict[str, LevelSize]
    tube_boxes: dict[str, Box]
    level_boxes: dict[str, Box]

    def _weights(self, batch: Batch) -> dict[str, Float]:
        """Vertebra -> (N,) array of shares that sum to one; vertebrae without a share are left out."""
        shares: dict[str, Float] = {}
        rest = np.ones(len(batch.points_mm))
        for level in self.levels:
            upper, last = level_vertebrae(level)
            pose = self.poses[level]
            below = smooth_step(
                (pose.origin_ras_mm - batch.points_mm) @ pose.axes_ras[2], -BLEND_HALF_MM, BLEND_HALF_MM
            )
            shares[upper], rest = rest * (1.0 - below), rest * below
        shares[last] = rest
        return {name: share for name, share in shares.items() if share.any()}

    def _blended(self, batch: Batch, field: str) -> Float:
        total = np.zeros(len(batch.points_mm))
        for name, share in self._weights(batch).items():
            local = self.poses[name].to_local_mm(batch.points_mm)
            total += share * getattr(self.tubes[name], field)(local)
        return total

    def near_levels(self, batch: Batch) -> dict[str, Float]:
        """Levels that may affect a batch, with the batch's points in the disc's frame."""
        return batch.once("levels", lambda: self._near_levels(batch))

    def _near_levels(self, batch: Batch) -> dict[str, Float]:
        return {
            level: self.poses[level].to_local_mm(batch.points_mm)
            for level, box in self.level_boxes.items()
            if not batch.far_from(box)
        }

    def walls_mm(self, batch: Batch) -> tuple[Float, Float]:
        """Distance bounds to the normal canal's wall and to the wall as encroached on, (N,) arrays, FAR_MM at most."""
        return batch.once("walls", lambda: self._walls_mm(batch))

    def _walls_mm(self, batch: Batch) -> tuple[Float, Float]:
        if all(batch.far_from(box) for box in self.tube_boxes.values()):
            return batch.far(), batch.far()
        normal = self._blended(batch, "distance_mm")
        wall = normal.copy()
        for level, local in self.near_levels(batch).items():
            wall += encroachment_mm(self.levels[level], local)
        return np.minimum(normal, FAR_MM), np.minimum(wall, FAR_MM)

    def ligaments_mm(self, batch: Batch) -> tuple[Float, Float]:
        """Thickness of ligamentum flavum and of the calcified sheet at points, (N,) arrays."""
        ligament, calcified = np.zeros(len(batch.points_mm)), np.zeros(len(batch.points_mm))
        for level, local in self.near_levels(batch).items():
            ligament = np.maximum(ligament, flavum_mm(self.levels[level], local))
            calcified = np.maximum(calcified, calcified_mm(self.levels[level], local))
        return ligament, calcified

    def sac_mm(self, points_mm: Float) -> Float:
        """(N,) array: signed distance bound to the dural sac."""
        batch = batch_of(points_mm)
        return self._sac_mm(batch, self.walls_mm(batch)[1], self.ligaments_mm(batch)[0])

    def _sac_mm(self, batch: Batch, wall_mm: Float, ligament_mm: Float) -> Float:
        return sac_mm(self._blended(batch, "sac_mm"), wall_mm, ligament_mm)

    def contents(self, points_mm: Float, wall_mm: Float) -> Labels:
        """(N,) uint16 array: the tissue at points inside the canal (`wall_mm` < 0)."""
        batch = batch_of(points_mm)
        ligament, calcified = self.ligaments_mm(batch)
        content = np.full(len(points_mm), Tissue.CANAL, dtype=np.uint16)
        content[(self._roots_mm(batch) < 0) & (wall_mm < -ROOT_FROM_WALL_MM)] = Tissue.ROOT
        content[self._sac_mm(batch, wall_mm, ligament) < 0] = Tissue.SAC
        content[wall_mm > -ligament] = Tissue.FLAVUM
        content[wall_mm > -calcified] = Tissue.CALCIFIED
        return content

    def _roots_mm(self, batch: Batch) -> Float:
        distance = batch.far()
        for level, local in self.near_levels(batch).items():
            half_width = self.tubes[level_vertebrae(level)[1]].half_width_mm
            for side in SIDES:
                distance = np.minimum(distance, root(self.levels[level], half_width, side).distance_mm(local))
        return distance
