"""What stays of the two weak places: the pars on each side, and the base of the spinous process."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from estimator.removal import Bench, Removal
from recon.anatomy import Level
from recon.grid import Float
from recon.labels import Mask, Part, Side, label_of, sided

BONE_FRAC = 0.5
"""A sample with at least this much bone left is bone."""

SAMPLE_MM = 0.25
"""Spacing of the level-frame samples on which widths are measured."""

PARS_ENDS_FRAC = 0.25
"""This share of the pars' bone at either end is left out: there it only tapers into its neighbours."""


@dataclass(frozen=True)
class SpinousBase:
    """`undercut_frac`: share of the upper spinous base removed; `bridge_mm`: mean thickness of the
    bone left in its mid-sagittal section, the bridge between the two sides; `bridge_before_mm`: the same before."""

    undercut_frac: float
    bridge_mm: float
    bridge_before_mm: float


@dataclass(frozen=True)
class Pars:
    """Least medio-lateral width of one pars, before and after, mm; NaN when the scan shows none."""

    before_mm: float
    residual_mm: float


def pars_of(level: Level, side: Side, removal: Removal) -> Pars:
    """What stays of the upper vertebra's pars on one side.

    In each axial plane of the level frame through the middle of the pars the longest unbroken
    medio-lateral run of its bone is taken; the answer is the shortest of these.
    """
    bone = _sampled(level, removal, label_of(level.upper, sided("pars", side)))
    if bone is None or bone[0].sum() <= 0:
        return Pars(float("nan"), float("nan"))
    upward = np.cumsum(bone[0].sum(axis=(0, 1)))
    middle = (upward >= PARS_ENDS_FRAC * upward[-1]) & (upward <= (1 - PARS_ENDS_FRAC) * upward[-1])
    before, after = (min(_longest_run(b[:, :, k] >= BONE_FRAC) for k in np.flatnonzero(middle)) for b in bone)
    return Pars(before * SAMPLE_MM, after * SAMPLE_MM)


def spinous_base(level: Level, removal: Removal) -> SpinousBase:
    """What stays of the upper vertebra's spinous base; NaN where the scan does not show it."""
    label = label_of(level.upper, Part.SPINOUS_BASE)
    bone = _sampled(level, removal, label)
    if bone is None:
        return SpinousBase(float("nan"), float("nan"), float("nan"))
    before, after = (_midline_thickness_mm(b) for b in bone)
    return SpinousBase(1.0 - bone[1].sum() / max(bone[0].sum(), 1e-9), after, before)


def _midline_thickness_mm(bone: Float) -> float:
    """Area of the section with most bone in it, over its height."""
    middle = bone[bone.sum(axis=(1, 2)).argmax()]
    height = int((middle.sum(axis=0) >= BONE_FRAC).sum())
    return float(middle.sum() / max(height, 1) * SAMPLE_MM)


def _longest_run(plane: Mask) -> int:
    """Longest run of True along the first axis of a 2-D mask."""
    runs = np.zeros(plane.shape[1], dtype=int)
    longest = 0
    for row in plane:
        runs = np.where(row, runs + 1, 0)
        longest = max(longest, int(runs.max(initial=0)))
    return longest


def _sampled(level: Level, removal: Removal, label: int) -> tuple[Float, Float] | None:
    """Bone share of one label before and after, (x, y, z) samples of the level frame at SAMPLE_MM."""
    bench = removal.bench
    found = np.argwhere(bench.labels == label)
    if len(found) == 0:
        return None
    corners = level.frame.to_level_mm(bench.grid.world_mm(found))
    axes = [np.arange(low - 1, high + 1, SAMPLE_MM) for low, high in zip(corners.min(0), corners.max(0), strict=True)]
    index = bench.grid.index_of(level.frame.to_world_mm(np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)))
    before = _part_frac(bench, label)
    return _at(before, index), _at(before * (1 - removal.taken_frac), index)


def _part_frac(bench: Bench, label: int) -> npt.NDArray[np.float32]:
    return np.where(bench.labels == label, bench.bone_mm3 / bench.grid.voxel_mm3, 0).astype(np.float32)


def _at(field: npt.NDArray[np.float32], index: Float) -> Float:
    return np.asarray(ndimage.map_coordinates(field, np.moveaxis(index, -1, 0), order=1), dtype=float)
