"""Compression of the dural sac before anything is taken: ligament, calcification and overhanging bone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.estimator.geometry.bricks import Bricks, bricks_of_points, bricks_of_voxels
from canalwise.estimator.level.level_bone import PROTECTED_PARTS, LevelBone
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Labels, Mask, Part, Side, Tissue, bone_mask, canal_mask

SPAN_MM = 10.0
"""The compressing tissue is counted this far cranial and caudal of the disc's mid-plane."""


PLANE_STEP_MM = 0.25
"""Sample spacing in the disc-level plane."""


PRESSING = (Tissue.FLAVUM, Tissue.CALCIFIED)


SIDE_CODE: dict[Side, int] = {"left": 1, "right": 2}
"""How `Compression.overhang` tells the sides."""


@dataclass(frozen=True, eq=False)
class Compression:
    """Compression of the sac at a level, before anything is taken.

    Parameters
    ----------
    ligament : side -> its voxels of ligament and calcification within SPAN_MM of the disc
    voxel_mm3 : volume of one of them
    overhang : (nx, ny, nz) array over the level's bone, the same of bone overhang: 1 left, 2 right, 0 elsewhere
    whole_mm3 : side -> volume of both
    plane : the samples of the disc's mid-plane that would be canal if they were taken
    free_mm2 : free canal in that plane
    """

    ligament: dict[Side, Bricks]
    voxel_mm3: float
    overhang: npt.NDArray[np.uint8]
    whole_mm3: dict[Side, float]
    plane: Bricks
    free_mm2: float


@dataclass(frozen=True, eq=False)
class DiscLevel:
    """The disc's mid-plane in (n, n) samples PLANE_STEP_MM apart.

    `free`: canal less what presses; `pressing`: ligament and calcification; `overhang`: bone that may be taken and
    stands inside the canal's extent; `world_mm`: (n, n, 3) RAS mm.
    """

    free: Mask
    pressing: Mask
    overhang: Mask
    world_mm: Float

    @property
    def freeable_mm(self) -> Float:
        """(N, 3) array of the samples, RAS mm, that would be canal if they were taken."""
        return self.world_mm[self.pressing | self.overhang]


def disc_level(anatomy: Anatomy, level: Level) -> DiscLevel:
    """Tissue at each sample of the disc's mid-plane."""
    x, y, labels, world = disc_plane(anatomy, level)
    pressing = np.isin(labels, PRESSING)
    half_width, ventral, roof = canal_extent_mm(anatomy, level)
    within = (np.abs(x) <= half_width) & (y >= ventral) & (y <= roof)
    bone = bone_mask(labels) & ~np.isin(labels % 100, PROTECTED_PARTS) & within
    return DiscLevel(canal_mask(labels) & ~pressing, pressing, bone, world)


def compression_of(anatomy: Anatomy, level: Level, level_bone: LevelBone) -> Compression:
    """The compression of the sac at a level."""
    extent = canal_extent_mm(anatomy, level)
    overhang = _overhang(level, level_bone, extent)
    ligament, whole = {}, {}
    for side in SIDES:
        voxels = np.argwhere(np.isin(anatomy.labels[level_bone.box], PRESSING))
        mine = voxels[_side_near_disc(level, level_bone.grid.world_mm(voxels)) == SIDE_CODE[side]]
        ligament[side] = bricks_of_voxels(level_bone.grid, mine)
        whole[side] = len(mine) * level_bone.grid.voxel_mm3 + float(
            level_bone.bone_mm3[overhang == SIDE_CODE[side]].sum()
        )
    plane = disc_level(anatomy, level)
    free = float(plane.free.sum() * PLANE_STEP_MM**2)
    return Compression(ligament, level_bone.grid.voxel_mm3, overhang, whole, bricks_of_points(plane.freeable_mm), free)


def _side_near_disc(level: Level, points_mm: Float) -> npt.NDArray[np.uint8]:
    """(N,) array: the code of the side on which each (N, 3) point lies, 0 beyond SPAN_MM of the disc."""
    x, _, z = level.frame.to_level_mm(points_mm).T
    sided = np.where(x > 0, SIDE_CODE["left"], np.where(x < 0, SIDE_CODE["right"], 0))
    return np.where(np.abs(z) <= SPAN_MM, sided, 0).astype(np.uint8)


def _overhang(level: Level, level_bone: LevelBone, extent_mm: tuple[float, float, float]) -> npt.NDArray[np.uint8]:
    """Bone of the arch that stands inside the width of the canal between the pedicles, in front of its roof."""
    half_width, _, roof = extent_mm
    arch = ~np.isin(np.arange(2**16, dtype=np.uint16) % 100, (Part.BODY, Part.DISC))
    voxels = np.argwhere((level_bone.bone_mm3 > 0) & arch[level_bone.labels])
    points = level_bone.grid.world_mm(voxels)
    x, y, _ = level.frame.to_level_mm(points).T
    inside = (np.abs(x) <= half_width) & (y <= roof) & (y >= 0)
    overhang = np.zeros(level_bone.grid.shape, dtype=np.uint8)
    overhang[tuple(voxels[inside].T)] = _side_near_disc(level, points[inside])
    return overhang


def canal_extent_mm(anatomy: Anatomy, level: Level) -> tuple[float, float, float]:
    """(half width, ventral y, dorsal y) of the bony canal: width between the pedicles, depth at the disc."""
    names = [f"lower_pedicle_medial_{side}" for side in SIDES]
    lateral = [abs(level.frame.to_level_mm(level.landmarks_ras_mm[n])[0]) for n in names if n in level.landmarks_ras_mm]
    x, y, labels, _ = disc_plane(anatomy, level)
    canal = canal_mask(labels)
    half_width = float(np.mean(lateral)) if lateral else float(np.abs(x[canal]).max(initial=0.0))
    return half_width, float(y[canal].min(initial=0.0)), float(y[canal].max(initial=0.0))


def disc_plane(anatomy: Anatomy, level: Level) -> tuple[Float, Float, Labels, Float]:
    """Samples of the disc's mid-plane.

    Returns
    -------
    x_mm, y_mm : (n, n) arrays, level frame, PLANE_STEP_MM apart
    labels : (n, n) array, of the nearest voxels
    world_mm : (n, n, 3) array, RAS mm
    """
    steps = np.arange(-25.0, 25.0 + PLANE_STEP_MM, PLANE_STEP_MM)
    x, y = np.meshgrid(steps, steps, indexing="ij")
    world = level.frame.to_world_mm(np.stack([x, y, np.zeros_like(x)], axis=-1))
    index = np.rint(anatomy.grid.index_of(world)).astype(int)
    inside = ((index >= 0) & (index < anatomy.grid.shape)).all(axis=-1)
    labels = np.zeros(x.shape, dtype=np.uint16)
    labels[inside] = anatomy.labels[tuple(index[inside].T)]
    return x, y, labels, world
