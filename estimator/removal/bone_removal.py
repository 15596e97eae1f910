"""How much of each voxel an approach takes away, and the bone that comes to."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.estimator.geometry.bricks import Bricks, bricks_of_voxels
from canalwise.estimator.removal.region import Region, Share
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Labels, Part, bone_mask, vertebra_number

RING = 2
"""Partly filled voxels within this many voxels of a bone label count as that bone."""

PROTECTED_PARTS = (Part.BODY, Part.PEDICLE_LEFT, Part.PEDICLE_RIGHT)
"""Never taken in a posterior decompression (common practice, no source)."""

Box = tuple[slice, slice, slice]


@dataclass(frozen=True, eq=False)
class BoneBricks:
    """Voxels that hold bone, in bricks of one label each; `voxels` (N,) are flat indices into the bench's arrays."""

    voxels: npt.NDArray[np.intp]
    bricks: Bricks


@dataclass(frozen=True, eq=False)
class LevelBone:
    """The bone of one level, cropped: what is counted, and where.

    Parameters
    ----------
    box : index box in the anatomy's arrays
    grid : of the crop
    bone_mm3 : (nx, ny, nz) array, bone in each voxel
    labels : (nx, ny, nz) array; partly filled voxels carry the nearest bone's label
    """

    box: Box
    grid: Grid
    bone_mm3: npt.NDArray[np.float32]
    labels: Labels

    @cached_property
    def whole_by_label_mm3(self) -> dict[int, float]:
        """Bone present per label, mm3; labels with none are left out."""
        bone = np.flatnonzero(self.bone_mm3)
        return _sums(self.labels.reshape(-1)[bone], self.bone_mm3.reshape(-1)[bone])

    @cached_property
    def boxes(self) -> dict[int, Box]:
        """The index box that holds each label's voxels."""
        found = enumerate(ndimage.find_objects(self.labels), start=1)
        return {label: (box[0], box[1], box[2]) for label, box in found if box is not None}

    @cached_property
    def takeable(self) -> BoneBricks:
        """The bone that is not protected."""
        return bone_bricks(self)


@dataclass(frozen=True, eq=False)
class Removal:
    """What an approach takes from a level.

    Parameters
    ----------
    voxels : (n,) array, flat indices of the voxels of the bench that are taken from
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
        return _sums(self.labels, self.taken_mm3)

    @property
    def total_mm3(self) -> float:
        """All bone removed, mm3."""
        return sum(self.by_label_mm3.values())


def level_bone_of(anatomy: Anatomy, level: Level) -> LevelBone:
    """The crop that holds every voxel of the level's two vertebrae."""
    box = _box_of(anatomy.labels, level)
    labels, occupancy, grid = anatomy.labels[box], anatomy.occupancy[box], anatomy.grid.cropped(box)
    bone_mm3 = (occupancy * grid.voxel_mm3).astype(np.float32, order="C")
    return LevelBone(box, grid, bone_mm3, np.ascontiguousarray(_nearest_bone_labels(labels, occupancy)))


def bone_bricks(
    level_bone: LevelBone, protected: tuple[Part, ...] = PROTECTED_PARTS, only: tuple[int, ...] = ()
) -> BoneBricks:
    """The bench's bone of known labels less the protected parts; `only` that of some labels where any are given."""
    every = np.arange(2**16, dtype=np.uint16)
    wanted = bone_mask(every) & ~np.isin(every % 100, protected)
    if only:
        wanted &= np.isin(every, only)
    voxels = np.flatnonzero(wanted[level_bone.labels] & (level_bone.bone_mm3 > 0))
    index = np.stack(np.unravel_index(voxels, level_bone.grid.shape), axis=-1)
    bricks = bricks_of_voxels(level_bone.grid, index, level_bone.labels.reshape(-1)[voxels])
    return BoneBricks(voxels[bricks.order], bricks)


def removal_of(level_bone: LevelBone, region: Region, bone: BoneBricks | None = None) -> Removal:
    """The region's removal: occupancy x coverage; from all bone that is not protected where `bone` is not given."""
    bone = bone or level_bone.takeable
    places, share = region.covered(bone.bricks)
    return Removal(level_bone, bone.voxels[places], share)


def _sums(labels: Labels, amount: npt.NDArray[np.float32]) -> dict[int, float]:
    sums = np.bincount(labels.ravel(), weights=amount.ravel())
    return {int(n): float(sums[n]) for n in np.flatnonzero(sums > 0)}


def _box_of(labels: Labels, level: Level) -> Box:
    wanted = [vertebra_number(level.upper), vertebra_number(level.lower)]
    mask = np.isin(labels // 100, wanted) & (labels % 100 != Part.DISC)
    i, j, k = (slice(max(s.start - 2, 0), s.stop + 2) for s in ndimage.find_objects(mask.astype(np.uint8))[0])
    return i, j, k


def _nearest_bone_labels(labels: Labels, occupancy: npt.NDArray[np.float32]) -> Labels:
    """Labels in which partly filled voxels at a bone's border belong to that bone."""
    bone = bone_mask(labels)
    padded = np.pad(np.where(bone, labels, 0), RING)
    adopting = np.argwhere(~bone & (occupancy > 0)) + RING
    adopted = np.zeros(len(adopting), dtype=labels.dtype)
    for offset in _ring_offsets():
        neighbour = padded[tuple((adopting + offset).T)]
        adopted = np.where(adopted > 0, adopted, neighbour)
    out = labels.copy()
    taken = adopted > 0
    out[tuple((adopting[taken] - RING).T)] = adopted[taken]
    return out


def _ring_offsets() -> npt.NDArray[np.intp]:
    """Offsets to the voxels within RING of one, nearest first."""
    steps = np.arange(-RING, RING + 1)
    offsets = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    squared = (offsets**2).sum(axis=1)
    near = np.argsort(squared, kind="stable")
    return offsets[near][squared[near] <= RING**2]
