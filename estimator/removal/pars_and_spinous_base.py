"""Bone kept at the two weak places: the pars on each side, and the base of the spinous process."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.estimator.geometry.field_sampling import resampled_near, take_from
from canalwise.estimator.level.pars_and_base_samples import SampledPart, Samples, least_width_mm, thickness_mm
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.recon.grid import Box, Float


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


@dataclass(frozen=True)
class BaseBridge:
    """Least thickness, front to back, of the spinous base's mid-sagittal section, and the share of the base removed.

    NaN where the scan does not show the base.
    """

    bridge_mm: float
    bridge_before_mm: float
    undercut_frac: float


@dataclass(frozen=True, eq=False)
class RemainingWidths:
    """What a removal leaves of a part at the samples of an index `box`, and takes from each sagittal section of it.

    Outside the box all stays.
    """

    box: Box
    bone: Samples
    lost: Float

    def on_planes(self, before: Samples, planes: slice) -> Samples:
        """(nx, ny, n) array: bone left on some axial planes of a part that was `before`.

        >>> left = RemainingWidths((slice(0, 1), slice(0, 1), slice(0, 2)), np.float32([[[0.25, 0.5]]]), np.zeros(1))
        >>> left.on_planes(np.ones((1, 1, 3), np.float32), slice(1, 3)).tolist()
        [[[0.5, 1.0]]]
        """
        left = before.copy()
        left[self.box] = self.bone
        return left[:, :, planes]

    def section(self, before: Samples, x: int) -> Samples:
        """(ny, nz) array: bone left in one sagittal section.

        >>> left = RemainingWidths((slice(1, 2), slice(0, 1), slice(0, 2)), np.float32([[[0.25, 0.5]]]), np.zeros(1))
        >>> before = np.ones((2, 1, 3), np.float32)
        >>> left.section(before, 0).tolist(), left.section(before, 1).tolist()
        ([[1.0, 1.0, 1.0]], [[0.25, 0.5, 1.0]])
        """
        left, across = before[x].copy(), self.box[0]
        if across.start <= x < across.stop:
            left[self.box[1:]] = self.bone[x - across.start]
        return left


def remaining_widths(part: SampledPart, removal: Removal) -> RemainingWidths | None:
    """Bone that a removal leaves of a part about where it takes any; None where it takes none."""
    mine = removal.labels == part.label
    if not mine.any():
        return None
    frac, near = part.frac.copy(), np.zeros(part.frac.shape, dtype=bool)
    voxels = np.array(np.unravel_index(removal.voxels[mine], removal.level_bone.grid.shape)) - part.corner[:, None]
    take_from(frac, voxels, removal.share[mine], near)
    box = part.samples_about(voxels.min(axis=1) - 1.0, voxels.max(axis=1) + 1.0)
    first = part.start + np.array([s.start for s in box]) @ part.steps
    left, lost = part.before[box].copy(), np.zeros(box[0].stop - box[0].start)
    resampled_near(frac, near, first, part.steps, left, lost)
    return RemainingWidths(box, left, lost)


def pars_of(part: SampledPart | None, removal: Removal) -> Pars:
    """Width kept of the upper vertebra's pars on one side.

    In each axial plane of the level frame through the middle of the pars the longest unbroken
    medio-lateral run of its bone is taken; the answer is the shortest of these.
    """
    if part is None or np.isnan(part.width_before_mm):
        return Pars(float("nan"), float("nan"))
    left = remaining_widths(part, removal)
    if left is None:
        return Pars(part.width_before_mm, part.width_before_mm)
    return Pars(part.width_before_mm, least_width_mm(left.on_planes(part.before, part.middle)))


def spinous_base(part: SampledPart | None, removal: Removal) -> SpinousBase:
    """Undercut and bridge of the upper vertebra's spinous base; NaN where the scan does not show it."""
    if part is None:
        return SpinousBase(float("nan"), float("nan"), float("nan"))
    left = remaining_widths(part, removal)
    if left is None:
        return SpinousBase(0.0, part.bridge_before_mm, part.bridge_before_mm)
    profile = part.profile.copy()
    profile[left.box[0]] -= left.lost
    undercut = float(left.lost.sum()) / max(float(part.profile.sum()), 1e-9)
    return SpinousBase(undercut, thickness_mm(left.section(part.before, int(profile.argmax()))), part.bridge_before_mm)
