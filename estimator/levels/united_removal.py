"""Removals of several levels of one spine as one: where two take from the same voxel the greater share counts, once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from canalwise.estimator.geometry.bricks import Bricks
from canalwise.estimator.geometry.region_protocol import Covered, Region
from canalwise.estimator.level.level_bone import LevelBone, sums_by_label
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.recon.grid import Float, Index3
from canalwise.recon.labels import Labels, Mask, vertebra_number

Shares = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class UnitedRemoval:
    """Union of several removals.

    Parameters
    ----------
    shape : of the case's grid
    voxels : (n,) array, flat indices into it, ascending
    share : (n,) array, the greatest share that any of them takes
    bone_mm3 : (n,) array, bone that was there
    labels : (n,) array, the bone each belongs to
    """

    shape: Index3
    voxels: npt.NDArray[np.intp]
    share: Shares
    bone_mm3: Shares
    labels: Labels

    @cached_property
    def by_label_mm3(self) -> dict[int, float]:
        """Bone taken per label."""
        return sums_by_label(self.labels, self.bone_mm3 * self.share)

    @property
    def total_mm3(self) -> float:
        """All bone taken, each voxel counted once."""
        return float(sum(self.by_label_mm3.values()))


def united(removals: Sequence[Removal], shape: Index3) -> UnitedRemoval:
    """The union of removals whose crops lie in a grid of that shape."""
    places = np.concatenate([on_case(one.level_bone, one.voxels, shape) for one in removals])
    share = np.concatenate([one.share for one in removals])
    bone = np.concatenate([one.level_bone.bone_mm3.reshape(-1)[one.voxels] for one in removals])
    labels = np.concatenate([one.labels for one in removals])
    voxels, first, which = np.unique(places, return_index=True, return_inverse=True)
    most = np.zeros(len(voxels), dtype=np.float32)
    np.maximum.at(most, which, share)
    return UnitedRemoval(shape, voxels, most, bone[first], labels[first])


def on_case(level_bone: LevelBone, voxels: npt.NDArray[np.intp], shape: Index3) -> npt.NDArray[np.intp]:
    """(n,) array: flat indices into the case's grid of (n,) flat indices into a crop."""
    index = np.unravel_index(voxels, level_bone.grid.shape)
    return np.asarray(
        np.ravel_multi_index(tuple(i + s.start for i, s in zip(index, level_bone.box, strict=True)), shape)
    )


def share_on(level_bone: LevelBone, voxels: npt.NDArray[np.intp], share: Shares, shape: Index3) -> Shares:
    """(nx, ny, nz) array on a crop: the share of each voxel, from flat indices into the case's grid."""
    index = np.stack(np.unravel_index(voxels, shape)) - np.array([[s.start] for s in level_bone.box])
    inside = ((index >= 0) & (index < np.array(level_bone.grid.shape)[:, None])).all(axis=0)
    out = np.zeros(level_bone.grid.shape, dtype=np.float32)
    out[tuple(index[:, inside])] = share[inside]
    return out


def removal_on(level_bone: LevelBone, together: UnitedRemoval, vertebrae: Sequence[str]) -> Removal:
    """Part of a union that lies in the vertebrae of one level, as that level's removal."""
    share = share_on(level_bone, together.voxels, together.share, together.shape)
    share[~np.isin(level_bone.labels // 100, [vertebra_number(name) for name in vertebrae])] = 0.0
    voxels = np.flatnonzero(share)
    return Removal(level_bone, voxels, share.reshape(-1)[voxels])


@dataclass(frozen=True, eq=False)
class UnitedRegion:
    """Several regions as one."""

    regions: tuple[Region, ...]

    def holds(self, points_mm: Float) -> Mask:
        """(N,) array: does any of them hold each (N, 3) RAS point?"""
        return np.asarray(np.any([region.holds(points_mm) for region in self.regions], axis=0))

    def covered(self, bricks: Bricks) -> Covered:
        """Share of each place inside, the greatest over the regions."""
        most = np.zeros(len(bricks.order), dtype=np.float32)
        for region in self.regions:
            places, share = region.covered(bricks)
            most[places] = np.maximum(most[places], share)
        places = np.flatnonzero(most)
        return Covered(places, most[places])
