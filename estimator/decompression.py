"""How much of what presses on the sac an approach can take, and the room that makes at disc level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from estimator.region import Region
from estimator.removal import Removal, covered_frac
from recon.anatomy import Anatomy, Level
from recon.grid import Float
from recon.labels import SIDES, Labels, Mask, Part, Side, Tissue, bone_mask, canal_mask

SPAN_MM = 10.0
"""The compressing tissue is counted this far cranial and caudal of the disc's mid-plane."""

PLANE_STEP_MM = 0.25
"""Sample spacing in the disc-level plane."""

PRESSING = (Tissue.FLAVUM, Tissue.CALCIFIED)


@dataclass(frozen=True)
class Decompression:
    """`canal_area_before_mm2`, `canal_area_after_mm2`: free canal at disc level (inside the bony canal, less
    ligamentum flavum and calcified tissue), before and after; the sac is taken to fill what
    is freed, so the second is an upper bound. `coverage_frac`: side -> share of the pressing
    tissue within SPAN_MM of the disc that can be taken."""

    canal_area_before_mm2: float
    canal_area_after_mm2: float
    coverage_frac: dict[Side, float]


def decompression_of(anatomy: Anatomy, level: Level, region: Region, removal: Removal) -> Decompression:
    """What a region frees at a level."""
    before, after = _free_areas_mm2(anatomy, level, region, removal)
    return Decompression(before, after, {side: _coverage_frac(anatomy, level, side, region, removal) for side in SIDES})


def _coverage_frac(anatomy: Anatomy, level: Level, side: Side, region: Region, removal: Removal) -> float:
    """Share of the ligament, calcification and bone overhang of one side that the region takes."""
    bench = removal.bench
    labels = anatomy.labels[bench.box]
    pressing = np.isin(labels, PRESSING)
    bone = bench.bone_mm3 > 0
    near = _near_disc(level, bench.grid.world_mm(np.argwhere(pressing | bone)), side)
    where = np.zeros(labels.shape, dtype=bool)
    where[pressing | bone] = near
    overhang = where & bone & _overhang(anatomy, level, bench.labels, where & bone, removal)
    ligament = where & pressing
    whole = ligament.sum() * bench.grid.voxel_mm3 + bench.bone_mm3[overhang].sum()
    taken = covered_frac(region, bench.grid, np.argwhere(ligament)).sum() * bench.grid.voxel_mm3
    taken += (bench.bone_mm3 * removal.taken_frac)[overhang].sum()
    return float(taken / whole) if whole > 0 else float("nan")


def _near_disc(level: Level, points_mm: Float, side: Side) -> Mask:
    x, _, z = level.frame.to_level_mm(points_mm).T
    near: Mask = (np.abs(z) <= SPAN_MM) & ((x > 0) if side == "left" else (x < 0))
    return near


def _overhang(anatomy: Anatomy, level: Level, labels: Labels, where: Mask, removal: Removal) -> Mask:
    """Bone of the arch that stands inside the width of the canal between the pedicles, in front of its roof."""
    half_width, _, roof = canal_extent_mm(anatomy, level)
    x, y, _ = level.frame.to_level_mm(removal.bench.grid.world_mm(np.argwhere(where))).T
    inside = np.zeros(labels.shape, dtype=bool)
    inside[where] = (np.abs(x) <= half_width) & (y <= roof) & (y >= 0)
    return inside & ~np.isin(labels % 100, (Part.BODY, Part.DISC))


def canal_extent_mm(anatomy: Anatomy, level: Level) -> tuple[float, float, float]:
    """(half width, ventral y, dorsal y) of the bony canal: width between the pedicles, depth at the disc."""
    names = [f"lower_pedicle_medial_{side}" for side in SIDES]
    lateral = [abs(level.frame.to_level_mm(level.landmarks_ras_mm[n])[0]) for n in names if n in level.landmarks_ras_mm]
    x, y, labels, _ = disc_plane(anatomy, level)
    canal = canal_mask(labels)
    half_width = float(np.mean(lateral)) if lateral else float(np.abs(x[canal]).max(initial=0.0))
    return half_width, float(y[canal].min(initial=0.0)), float(y[canal].max(initial=0.0))


def disc_plane(anatomy: Anatomy, level: Level) -> tuple[Float, Float, Labels, Float]:
    """Samples of the disc's mid-plane: x, y in the level frame, nearest label, RAS mm."""
    steps = np.arange(-25.0, 25.0 + PLANE_STEP_MM, PLANE_STEP_MM)
    x, y = np.meshgrid(steps, steps, indexing="ij")
    world = level.frame.to_world_mm(np.stack([x, y, np.zeros_like(x)], axis=-1))
    index = np.rint(anatomy.grid.index_of(world)).astype(int)
    inside = ((index >= 0) & (index < anatomy.grid.shape)).all(axis=-1)
    labels = np.zeros(x.shape, dtype=np.uint16)
    labels[inside] = anatomy.labels[tuple(index[inside].T)]
    return x, y, labels, world


def _free_areas_mm2(anatomy: Anatomy, level: Level, region: Region, removal: Removal) -> tuple[float, float]:
    x, y, labels, world = disc_plane(anatomy, level)
    pressing = np.isin(labels, PRESSING)
    half_width, ventral, roof = canal_extent_mm(anatomy, level)
    protected = np.isin(labels % 100, (Part.BODY, Part.PEDICLE_LEFT, Part.PEDICLE_RIGHT))
    overhang = bone_mask(labels) & ~protected & (np.abs(x) <= half_width) & (y >= ventral) & (y <= roof)
    freed = np.zeros(labels.shape, dtype=bool)
    freed[pressing | overhang] = region.holds(world[pressing | overhang])
    cell = PLANE_STEP_MM**2
    before = float((canal_mask(labels) & ~pressing).sum() * cell)
    return before, before + float(freed.sum() * cell)
