"""What stays of the two weak places: the pars on each side, and the base of the spinous process."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from canalwise.estimator.geometry.field_sampling import longest_runs, resampled, resampled_near, take_from
from canalwise.estimator.removal.bone_removal import LevelBone, Removal
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import Box, Float
from canalwise.recon.labels import SIDES, Part, Side, label_of, sided

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
        out = np.empty(self.shape, dtype=np.float32)
        resampled(self.frac, self.start, self.steps, self.limits, out)
        return out

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
    def profile(self) -> Float:
        """(nx,) array: sum of the samples of each sagittal section."""
        return np.asarray(self.before.sum(axis=(1, 2), dtype=float))

    @cached_property
    def bridge_before_mm(self) -> float:
        """Mean thickness of the section with most bone."""
        return _thickness_mm(self.before[self.profile.argmax()])

    def left_by(self, removal: Removal) -> RemainingWidths | None:
        """Bone that a removal leaves about where it takes any; None where it takes none."""
        mine = removal.labels == self.label
        if not mine.any():
            return None
        frac, near = self.frac.copy(), np.zeros(self.frac.shape, dtype=bool)
        voxels = np.array(np.unravel_index(removal.voxels[mine], removal.level_bone.grid.shape)) - self.corner[:, None]
        take_from(frac, voxels, removal.share[mine], near)
        box = self._samples_about(voxels.min(axis=1) - 1.0, voxels.max(axis=1) + 1.0)
        first = self.start + np.array([s.start for s in box]) @ self.steps
        left, lost = self.before[box].copy(), np.zeros(box[0].stop - box[0].start)
        resampled_near(frac, near, first, self.steps, left, lost)
        return RemainingWidths(box, left, lost)

    def _samples_about(self, low: Float, high: Float) -> Box:
        """Index box of the samples that may lie in a box of `frac`, given by its first and last fractional index."""
        corners = np.stack(np.meshgrid(*zip(low, high, strict=True)), axis=-1).reshape(-1, 3)
        samples = (corners - self.start) @ np.linalg.inv(self.steps)
        first = np.clip(np.floor(samples.min(axis=0)), 0, self.shape).astype(int)
        end = np.clip(np.ceil(samples.max(axis=0)) + 1, first, self.shape).astype(int)
        i, j, k = (slice(int(a), int(b)) for a, b in zip(first, end, strict=True))
        return i, j, k


@dataclass(frozen=True, eq=False)
class RemainingWidths:
    """What a removal leaves of a part at the samples of an index `box`, and takes from each sagittal section of it.

    Outside the box all stays.
    """

    box: Box
    bone: Samples
    lost: Float

    def on_planes(self, before: Samples, planes: slice) -> Samples:
        """(nx, ny, n) array: bone left on some axial planes of a part that was `before`."""
        left = before.copy()
        left[self.box] = self.bone
        return left[:, :, planes]

    def section(self, before: Samples, x: int) -> Samples:
        """(ny, nz) array: bone left in one sagittal section."""
        left, across = before[x].copy(), self.box[0]
        if across.start <= x < across.stop:
            left[self.box[1:]] = self.bone[x - across.start]
        return left


@dataclass(frozen=True, eq=False)
class ParsAndBaseSamples:
    """The upper vertebra's pars on each side and spinous base; None where the scan does not show one."""

    pars: dict[Side, SampledPart | None]
    base: SampledPart | None


def pars_and_base_samples(level: Level, level_bone: LevelBone) -> ParsAndBaseSamples:
    """The weak places of a level in the bone of a bench."""
    pars = {side: _sampled_part(level, level_bone, label_of(level.upper, sided("pars", side))) for side in SIDES}
    return ParsAndBaseSamples(pars, _sampled_part(level, level_bone, label_of(level.upper, Part.SPINOUS_BASE)))


def pars_of(part: SampledPart | None, removal: Removal) -> Pars:
    """What stays of the upper vertebra's pars on one side.

    In each axial plane of the level frame through the middle of the pars the longest unbroken
    medio-lateral run of its bone is taken; the answer is the shortest of these.
    """
    if part is None or np.isnan(part.width_before_mm):
        return Pars(float("nan"), float("nan"))
    left = part.left_by(removal)
    if left is None:
        return Pars(part.width_before_mm, part.width_before_mm)
    return Pars(part.width_before_mm, _least_width_mm(left.on_planes(part.before, part.middle)))


def spinous_base(part: SampledPart | None, removal: Removal) -> SpinousBase:
    """What stays of the upper vertebra's spinous base; NaN where the scan does not show it."""
    if part is None:
        return SpinousBase(float("nan"), float("nan"), float("nan"))
    left = part.left_by(removal)
    if left is None:
        return SpinousBase(0.0, part.bridge_before_mm, part.bridge_before_mm)
    profile = part.profile.copy()
    profile[left.box[0]] -= left.lost
    undercut = float(left.lost.sum()) / max(float(part.profile.sum()), 1e-9)
    return SpinousBase(undercut, _thickness_mm(left.section(part.before, int(profile.argmax()))), part.bridge_before_mm)


def _thickness_mm(section: Samples) -> float:
    """Area of a sagittal section, over its height."""
    upward = section.sum(axis=0, dtype=float)
    return float(upward.sum() / max(int((upward >= BONE_FRAC).sum()), 1) * SAMPLE_MM)


def _least_width_mm(bone: Samples) -> float:
    """Shortest, over the axial planes, of the longest unbroken runs along x."""
    runs = np.zeros(bone.shape[2], dtype=np.int64)
    longest_runs(np.ascontiguousarray(bone), BONE_FRAC, runs)
    return float(runs.min()) * SAMPLE_MM


def _sampled_part(level: Level, level_bone: LevelBone, label: int) -> SampledPart | None:
    if label not in level_bone.boxes:
        return None
    box = level_bone.boxes[label]
    low, high = np.array([s.start for s in box]), np.array([s.stop for s in box])
    found = np.argwhere(level_bone.labels[box] == label) + low
    corners = level.frame.to_level_mm(level_bone.grid.world_mm(found))
    axes = [np.arange(a - 1, b + 1, SAMPLE_MM) for a, b in zip(corners.min(0), corners.max(0), strict=True)]
    corner, end = np.maximum(low - 1, 0), np.minimum(high + 1, level_bone.grid.shape)
    about = tuple(slice(a, b) for a, b in zip(corner, end, strict=True))
    frac = np.where(
        level_bone.labels[about] == label, level_bone.bone_mm3[about] / level_bone.grid.voxel_mm3, 0
    ).astype(np.float32)
    start = level_bone.grid.index_of(level.frame.to_world_mm([axis[0] for axis in axes]))
    steps = SAMPLE_MM * level.frame.axes_ras @ np.linalg.inv(level_bone.grid.affine_ras_mm[:3, :3]).T
    limits = np.array([np.zeros(3), np.array(level_bone.grid.shape) - 1.0]) - corner
    nx, ny, nz = (len(axis) for axis in axes)
    return SampledPart(label, corner, frac, limits, start - corner, steps, (nx, ny, nz))
