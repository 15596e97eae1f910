"""A whole spine as implicit functions: what lies at a point, and how deep in bone.

`Spine.label_and_depth` is the one truth that the scan, the label map and every
published number are made from. It is fastest on spatially compact batches of points.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.phantoms.anatomy.body import disc_mm
from canalwise.phantoms.anatomy.bone import Bone
from canalwise.phantoms.anatomy.bystanders import Bystander
from canalwise.phantoms.anatomy.canal import Canal
from canalwise.phantoms.anatomy.soft_tissue import Skin
from canalwise.phantoms.solid.dimensions import LevelSize, VertebraSize
from canalwise.phantoms.solid.point_batch import Batch, Box, batch_of
from canalwise.phantoms.solid.pose import Pose
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.grid import Float
from canalwise.recon.labels import Labels, Part, Tissue, label_of, level_vertebrae


@dataclass(frozen=True, eq=False)
class Spine:
    """A spine as implicit functions of points. Build it with `spine_of`."""

    spec: SpineSpec
    poses: dict[str, Pose]
    vertebrae: dict[str, VertebraSize]
    levels: dict[str, LevelSize]
    canal: Canal
    bone: Bone
    disc_boxes: dict[str, Box]
    skin: Skin
    bystanders: tuple[Bystander, ...]

    def label_and_depth(self, points_mm: Float) -> tuple[Labels, Float]:
        """Label of each point and its depth under the bone's surface.

        Parameters
        ----------
        points_mm : (N, 3) array of RAS mm, N >= 1

        Returns
        -------
        labels : (N,) uint16 array, values of `recon.labels`
        depth_mm : (N,) array, positive in bone (a bound from below), else 0
        """
        batch = batch_of(points_mm)
        labels = np.full(len(points_mm), Tissue.SOFT, dtype=np.uint16)
        depth = np.zeros(len(points_mm))
        self._fill_discs(batch, labels)
        normal, wall = self.canal.walls_mm(batch)
        for name in self.bone.near(batch):
            distance, part = self.bone.vertebra_mm(name, batch, normal, wall)
            inside = distance < 0
            labels[inside] = label_of(name, Part.BODY) - Part.BODY + part[inside]
            depth[inside] = -distance[inside]
        inside = wall < 0
        if inside.any():
            labels[inside] = self.canal.contents(points_mm[inside], wall[inside])
        labels[self.skin.distance_mm(points_mm) > 0] = Tissue.OUTSIDE
        return labels, depth

    def _fill_discs(self, batch: Batch, labels: Labels) -> None:
        for level, size in self.levels.items():
            if batch.far_from(self.disc_boxes[level]):
                continue
            upper, lower = level_vertebrae(level)
            local = self.poses[level].to_local_mm(batch.points_mm)
            column = disc_mm(
                self.vertebrae[upper], self.vertebrae[lower], size.disc_height_mm, size.knobs.disc_bulge_mm, local
            )
            labels[column < 0] = label_of(upper, Part.DISC)
