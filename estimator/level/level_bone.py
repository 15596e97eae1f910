"""The bone of one level, cropped: by label, in bricks, what is never taken, and how far from that a place lies."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.estimator.geometry.bricks import Bricks, bricks_of_voxels
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Labels, Mask, Part, bone_mask, vertebra_number

RING = 2
"""Partly filled voxels within this many voxels of a bone label count as that bone."""


PROTECTED_PARTS = (Part.BODY, Part.PEDICLE_LEFT, Part.PEDICLE_RIGHT)
"""Never taken in a posterior decompression (common practice, no source)."""


Box = tuple[slice, slice, slice]


@dataclass(frozen=True, eq=False)
class BoneBricks:
    """Voxels that hold bone, in bricks of one label each; `voxels` (N,) are flat indices into its arrays."""

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
        return sums_by_label(self.labels.reshape(-1)[bone], self.bone_mm3.reshape(-1)[bone])

    @cached_property
    def boxes(self) -> dict[int, Box]:
        """The index box that holds each label's voxels."""
        found = enumerate(ndimage.find_objects(self.labels), start=1)
        return {label: (box[0], box[1], box[2]) for label, box in found if box is not None}

    @cached_property
    def takeable(self) -> BoneBricks:
        """The bone that is not protected."""
        return bone_bricks(self)


def level_bone_of(anatomy: Anatomy, level: Level) -> LevelBone:
    """The crop that holds every voxel of the level's two vertebrae."""
    box = _box_of(anatomy.labels, level)
    labels, occupancy, grid = anatomy.labels[box], anatomy.occupancy[box], anatomy.grid.cropped(box)
    bone_mm3 = (occupancy * grid.voxel_mm3).astype(np.float32, order="C")
    return LevelBone(box, grid, bone_mm3, np.ascontiguousarray(_nearest_bone_labels(labels, occupancy)))


def bone_bricks(
    level_bone: LevelBone, protected: tuple[Part, ...] = PROTECTED_PARTS, only: tuple[int, ...] = ()
) -> BoneBricks:
    """The level's bone of known labels less the protected parts; `only` that of some labels where any are given."""
    every = np.arange(2**16, dtype=np.uint16)
    wanted = bone_mask(every) & ~np.isin(every % 100, protected)
    if only:
        wanted &= np.isin(every, only)
    voxels = np.flatnonzero(wanted[level_bone.labels] & (level_bone.bone_mm3 > 0))
    index = np.stack(np.unravel_index(voxels, level_bone.grid.shape), axis=-1)
    bricks = bricks_of_voxels(level_bone.grid, index, level_bone.labels.reshape(-1)[voxels])
    return BoneBricks(voxels[bricks.order], bricks)


def sums_by_label(labels: Labels, amount: npt.NDArray[np.float32]) -> dict[int, float]:
    """Label -> sum of the amounts of its voxels; labels with none are left out.

    Parameters
    ----------
    labels, amount : arrays of one shape

    >>> sums_by_label(np.array([0, 2001, 2001], dtype=np.uint16), np.array([0.0, 0.5, 0.25], dtype=np.float32))
    {2001: 0.75}
    """
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


_EVERY = np.arange(2**16, dtype=np.uint16)


PROTECTED: Mask = np.asarray(np.isin(_EVERY % 100, PROTECTED_PARTS) & bone_mask(_EVERY))
"""(65536,) array: is a label protected bone?"""


def protected_field(anatomy: Anatomy, level_bone: LevelBone) -> tuple[np.ndarray, Grid]:
    """Signed distance to the border of protected bone, and the grid it lies on.

    The border runs midway between voxel centres, by the anatomy's own labels as in `estimator.removal.reach`: those of
    the crop's bone include every partly filled voxel, which would let the pedicle stand up to a voxel too wide. Where
    the crop holds no such bone all is far away.

    Returns
    -------
    distance_mm : (nx, ny, nz) array, negative inside protected bone
    grid : it lies on
    """
    bone = PROTECTED[anatomy.labels[level_bone.box]]
    spacing = [float(s) for s in level_bone.grid.spacing_mm]
    if not bone.any():
        return np.full(level_bone.labels.shape, 1e3, dtype=np.float32), level_bone.grid
    outside = edt.edt(~bone, anisotropy=spacing, parallel=1)
    inside = edt.edt(bone, anisotropy=spacing, parallel=1)
    half = min(spacing) / 2
    return np.where(bone, half - inside, outside - half).astype(np.float32), level_bone.grid
