"""What stays of the two weak places: the pars on each side, and the base of the spinous process."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from estimator.removal import Bench, Removal
from estimator.voxel_kernels import longest_runs, resampled
from recon.anatomy import Level
from recon.grid import Float
from recon.labels import SIDES, Part, Side, label_of, sided

Samples = npt.NDArray[np.float32]

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


@dataclass(frozen=True, eq=False)
class SampledPart:
    """Bone of one part of a vertebra, and the samples of the level frame, SAMPLE_MM apart, on which it is measured.

    Parameters
    ----------
    label : of the part
    corner : (3,) array, where `frac` begins in the bench's arrays
    frac : (cx, cy, cz) array, share of each voxel that is bone of the part, with a ring of others about it
    limits : (2, 3) array, first and last index into `frac` that lie in the bench; there is nothing beyond
    start, steps : (3,) and (3, 3) arrays; sample (x, y, z) lies at the index start + (x, y, z) @ steps of `frac`
    shape : of the samples, (nx, ny, nz)
    """

    label: int
    corner: npt.NDArray[np.intp]
    frac: Samples
    limits: Float
    start: Float
    steps: Float
    shape: tuple[int, int, int]

    @cached_property
    def before(self) -> Samples:
        """(nx, ny, nz) array: bone at the samples."""
        return self._sampled(self.frac, slice(0, self.shape[2]))

    @cached_property
    def middle(self) -> slice:
        """The axial planes through the middle of the part, less PARS_ENDS_FRAC of its bone at either end."""
        upward = np.cumsum(self.before.sum(axis=(0, 1), dtype=float))
        planes = np.flatnonzero((upward >= PARS_ENDS_FRAC * upward[-1]) & (upward <= (1 - PARS_ENDS_FRAC) * upward[-1]))
        return slice(int(planes.min(initial=self.shape[2])), int(planes.max(initial=-1)) + 1)

    @cached_property
    def width_before_mm(self) -> float:
        """Least width of the part's middle; NaN where the part holds no bone."""
        return _least_width_mm(self.before[:, :, self.middle]) if self.before.any() else float("nan")

    @cached_property
    def bone_before(self) -> float:
        """Sum of all samples."""
        return float(self.before.sum(dtype=float))

    @cached_property
    def bridge_before_mm(self) -> float:
        """Mean thickness of the section with most bone."""
        return _midline_thickness_mm(self.before)

    def left_by(self, removal: Removal, planes: slice | None = None) -> Samples | None:
        """(nx, ny, n) array: bone that a removal leaves on some of the axial planes; None where it takes none."""
        mine = removal.labels == self.label
        if not mine.any():
            return None
        left = self.frac.copy()
        voxels = np.array(np.unravel_index(removal.voxels[mine], removal.bench.grid.shape)) - self.corner[:, None]
        left[tuple(voxels)] *= 1 - removal.share[mine]
        return self._sampled(left, planes or slice(0, self.shape[2]))

    def _sampled(self, frac: Samples, planes: slice) -> Samples:
        out = np.empty((*self.shape[:2], max(planes.stop - planes.start, 0)), dtype=np.float32)
        resampled(frac, self.start + planes.start * self.steps[2], self.steps, self.limits, out)
        return out


@dataclass(frozen=True, eq=False)
class WeakPlaces:
    """The upper vertebra's pars on each side and spinous base; None where the scan does not show one."""

    pars: dict[Side, SampledPart | None]
    base: SampledPart | None


def weak_places(level: Level, bench: Bench) -> WeakPlaces:
    """The weak places of a level in the bone of a bench."""
    pars = {side: _sampled_part(level, bench, label_of(level.upper, sided("pars", side))) for side in SIDES}
    return WeakPlaces(pars, _sampled_part(level, bench, label_of(level.upper, Part.SPINOUS_BASE)))


def pars_of(part: SampledPart | None, removal: Removal) -> Pars:
    """What stays of the upper vertebra's pars on one side.

    In each axial plane of the level frame through the middle of the pars the longest unbroken
    medio-lateral run of its bone is taken; the answer is the shortest of these.
    """
    if part is None or np.isnan(part.width_before_mm):
        return Pars(float("nan"), float("nan"))
    left = part.left_by(removal, part.middle)
    return Pars(part.width_before_mm, part.width_before_mm if left is None else _least_width_mm(left))


def spinous_base(part: SampledPart | None, removal: Removal) -> SpinousBase:
    """What stays of the upper vertebra's spinous base; NaN where the scan does not show it."""
    if part is None:
        return SpinousBase(float("nan"), float("nan"), float("nan"))
    left = part.left_by(removal)
    if left is None:
        return SpinousBase(0.0, part.bridge_before_mm, part.bridge_before_mm)
    undercut = 1.0 - float(left.sum(dtype=float)) / max(part.bone_before, 1e-9)
    return SpinousBase(undercut, _midline_thickness_mm(left), part.bridge_before_mm)


def _midline_thickness_mm(bone: Samples) -> float:
    """Area of the section with most bone in it, over its height."""
    middle = bone[bone.sum(axis=(1, 2), dtype=float).argmax()].astype(float)
    height = int((middle.sum(axis=0) >= BONE_FRAC).sum())
    return float(middle.sum() / max(height, 1) * SAMPLE_MM)


def _least_width_mm(bone: Samples) -> float:
    """Shortest, over the axial planes, of the longest unbroken runs along x."""
    runs = np.zeros(bone.shape[2], dtype=np.int64)
    longest_runs(np.ascontiguousarray(bone), BONE_FRAC, runs)
    return float(runs.min()) * SAMPLE_MM


def _sampled_part(level: Level, bench: Bench, label: int) -> SampledPart | None:
    if label not in bench.boxes:
        return None
    box = bench.boxes[label]
    low, high = np.array([s.start for s in box]), np.array([s.stop for s in box])
    found = np.argwhere(bench.labels[box] == label) + low
    corners = level.frame.to_level_mm(bench.grid.world_mm(found))
    axes = [np.arange(a - 1, b + 1, SAMPLE_MM) for a, b in zip(corners.min(0), corners.max(0), strict=True)]
    corner, end = np.maximum(low - 1, 0), np.minimum(high + 1, bench.grid.shape)
    about = tuple(slice(a, b) for a, b in zip(corner, end, strict=True))
    frac = np.where(bench.labels[about] == label, bench.bone_mm3[about] / bench.grid.voxel_mm3, 0).astype(np.float32)
    start = bench.grid.index_of(level.frame.to_world_mm([axis[0] for axis in axes]))
    steps = SAMPLE_MM * level.frame.axes_ras @ np.linalg.inv(bench.grid.affine_ras_mm[:3, :3]).T
    limits = np.array([np.zeros(3), np.array(bench.grid.shape) - 1.0]) - corner
    nx, ny, nz = (len(axis) for axis in axes)
    return SampledPart(label, corner, frac, limits, start - corner, steps, (nx, ny, nz))
