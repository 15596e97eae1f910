"""Share of each voxel that an approach removes, and the bone volume."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from canalwise.estimator.geometry.region_protocol import Region, Share
from canalwise.estimator.level.level_bone import BoneBricks, LevelBone, sums_by_label
from canalwise.recon.anatomy import Level
from canalwise.recon.labels import Labels

TAKEN_FRAC = 0.5
"""A voxel counts as gone, for how far lateral bone was taken, when at least this share is."""


@dataclass(frozen=True, eq=False)
class Removal:
    """Bone that an approach removes from a level.

    Parameters
    ----------
    voxels : (n,) array, flat indices of the level bone's voxels that are taken from
    share : (n,) array, how much of each is taken, above 0
    """

    level_bone: LevelBone
    voxels: npt.NDArray[np.intp]
    share: Share

    @cached_property
    def taken_frac(self) -> npt.NDArray[np.float32]:
        """(nx, ny, nz) array: share of each voxel that is taken, 0 where protected."""
        taken = np.zeros(self.level_bone.grid.shape, dtype=np.float32)
        taken.reshape(-1)[self.voxels] = self.share
        return taken

    @cached_property
    def labels(self) -> Labels:
        """(n,) array: the bone each of `voxels` belongs to."""
        return self.level_bone.labels.reshape(-1)[self.voxels]

    @cached_property
    def taken_mm3(self) -> npt.NDArray[np.float32]:
        """(n,) array: bone taken from each of `voxels`."""
        return np.asarray(self.level_bone.bone_mm3.reshape(-1)[self.voxels] * self.share)

    @cached_property
    def by_label_mm3(self) -> dict[int, float]:
        """Bone removed per label, mm3; labels with none are left out."""
        return sums_by_label(self.labels, self.taken_mm3)

    @property
    def total_mm3(self) -> float:
        """All bone removed, mm3."""
        return sum(self.by_label_mm3.values())


def removal_of(level_bone: LevelBone, region: Region, bone: BoneBricks | None = None) -> Removal:
    """The region's removal: occupancy x coverage; from all bone that is not protected where `bone` is not given."""
    bone = bone or level_bone.takeable
    places, share = region.covered(bone.bricks)
    return Removal(level_bone, bone.voxels[places], share)


def farthest_taken_mm(removal: Removal, level: Level) -> float:
    """Greatest distance from the mid-sagittal plane of a voxel whose bone is mostly taken, mm."""
    mostly = removal.voxels[(removal.share >= TAKEN_FRAC) & (removal.taken_mm3 > 0)]
    index = np.stack(np.unravel_index(mostly, removal.level_bone.grid.shape), axis=-1)
    x = level.frame.to_level_mm(removal.level_bone.grid.world_mm(index))[:, 0]
    return float(np.abs(x).max(initial=0.0))
