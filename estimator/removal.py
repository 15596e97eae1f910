"""How much of each voxel an approach takes away, and the bone that comes to."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from estimator.region import Region
from recon.anatomy import Anatomy, Level
from recon.grid import Float, Grid
from recon.labels import Labels, Part, bone_mask, vertebra_number

SAMPLES_PER_EDGE = 3
"""Sub-voxel samples along each edge of a voxel at the region's border (scripts/why_coverage_samples.py)."""

RING = 2
"""Partly filled voxels within this many voxels of a bone label count as that bone."""

PROTECTED_PARTS = (Part.BODY, Part.PEDICLE_LEFT, Part.PEDICLE_RIGHT)
"""Never taken in a posterior decompression (common practice, no source)."""

Box = tuple[slice, slice, slice]


@dataclass(frozen=True, eq=False)
class Bench:
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
        return _sums(self.labels, self.bone_mm3)

    @cached_property
    def bone_index(self) -> npt.NDArray[np.intp]:
        """(N, 3) array: index of every voxel that holds bone of a known label."""
        return np.argwhere((self.bone_mm3 > 0) & bone_mask(self.labels))

    @cached_property
    def bone_ras_mm(self) -> Float:
        """(N, 3) array: where those voxels' centres lie."""
        return self.grid.world_mm(self.bone_index)


@dataclass(frozen=True, eq=False)
class Removal:
    """What an approach takes from a level.

    `taken_frac` is the (nx, ny, nz) share of each voxel that is taken, 0 where protected.
    """

    bench: Bench
    taken_frac: npt.NDArray[np.float32]

    @cached_property
    def by_label_mm3(self) -> dict[int, float]:
        """Bone removed per label, mm3; labels with none are left out."""
        taken = np.nonzero(self.taken_frac)
        return _sums(self.bench.labels[taken], self.bench.bone_mm3[taken] * self.taken_frac[taken])

    @property
    def total_mm3(self) -> float:
        """All bone removed, mm3."""
        return sum(self.by_label_mm3.values())


def bench_of(anatomy: Anatomy, level: Level) -> Bench:
    """The crop that holds every voxel of the level's two vertebrae."""
    box = _box_of(anatomy.labels, level)
    labels, occupancy, grid = anatomy.labels[box], anatomy.occupancy[box], anatomy.grid.cropped(box)
    return Bench(box, grid, (occupancy * grid.voxel_mm3).astype(np.float32), _nearest_bone_labels(labels, occupancy))


def removal_of(bench: Bench, region: Region, protected: tuple[Part, ...] = PROTECTED_PARTS) -> Removal:
    """The region's removal: occupancy x coverage, never from a protected part."""
    parts = bench.labels[tuple(bench.bone_index.T)] % 100
    low, high = region.bounds_ras_mm
    half_diagonal = float(np.linalg.norm(bench.grid.spacing_mm)) / 2
    near = ((bench.bone_ras_mm >= low - half_diagonal) & (bench.bone_ras_mm <= high + half_diagonal)).all(axis=1)
    return Removal(bench, covered_frac(region, bench.grid, bench.bone_index[near & ~np.isin(parts, protected)]))


def covered_frac(region: Region, grid: Grid, index: npt.NDArray[np.intp]) -> npt.NDArray[np.float32]:
    """(nx, ny, nz) array: share of each voxel that the region covers, for the (N, 3) voxels of `index`; 0 elsewhere.

    A voxel whose centre lies deeper than its half diagonal is wholly in or out; the rest
    are sampled at SAMPLES_PER_EDGE^3 points.
    """
    covered = np.zeros(grid.shape, dtype=np.float32)
    half_diagonal = float(np.linalg.norm(grid.spacing_mm)) / 2
    depth = region.depth_mm(grid.world_mm(index))
    covered[tuple(index[depth < -half_diagonal].T)] = 1.0
    border = index[np.abs(depth) <= half_diagonal]
    steps = (np.arange(SAMPLES_PER_EDGE) + 0.5) / SAMPLES_PER_EDGE - 0.5
    offsets = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    inside = np.zeros(len(border), dtype=np.float32)
    for offset in offsets:  # one offset at a time keeps memory at one point per border voxel
        inside += region.holds(grid.world_mm(border + offset))
    covered[tuple(border.T)] = inside / len(offsets)
    return covered


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
