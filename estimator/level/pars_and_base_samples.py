"""The upper vertebra's two weak places, pars and spinous base, sampled along the level frame, nothing taken yet."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from canalwise.estimator.geometry.field_sampling import longest_runs, resampled
from canalwise.estimator.level.level_bone import LevelBone
from canalwise.estimator.level.sample_spacing import BONE_FRAC, PARS_ENDS_FRAC, SAMPLE_MM
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import Box, Float
from canalwise.recon.labels import SIDES, Part, Side, label_of, sided

Samples = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class SampledPart:
    """Bone of one part of a vertebra, and the samples of the level frame, SAMPLE_MM apart, on which it is measured.

    Parameters
    ----------
    label : of the part
    corner : (3,) array, where `frac` begins in the level bone's arrays
    frac : (cx, cy, cz) array, share of each voxel that is bone of the part, with a ring of others about it
    limits : (2, 3) array, first and last index into `frac` that lie in the level's box; there is nothing beyond
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
        return least_width_mm(self.before[:, :, self.middle]) if self.before.any() else float("nan")

    @cached_property
    def profile(self) -> Float:
        """(nx,) array: sum of the samples of each sagittal section."""
        return np.asarray(self.before.sum(axis=(1, 2), dtype=float))

    @cached_property
    def bridge_before_mm(self) -> float:
        """Mean thickness of the section with most bone."""
        return thickness_mm(self.before[self.profile.argmax()])

    def samples_about(self, low: Float, high: Float) -> Box:
        """Index box of the samples that may lie in a box of `frac`, given by its first and last fractional index.

        `low`, `high` (3,) arrays.
        """
        corners = np.stack(np.meshgrid(*zip(low, high, strict=True)), axis=-1).reshape(-1, 3)
        samples = (corners - self.start) @ np.linalg.inv(self.steps)
        first = np.clip(np.floor(samples.min(axis=0)), 0, self.shape).astype(int)
        end = np.clip(np.ceil(samples.max(axis=0)) + 1, first, self.shape).astype(int)
        i, j, k = (slice(int(a), int(b)) for a, b in zip(first, end, strict=True))
        return i, j, k


@dataclass(frozen=True, eq=False)
class ParsAndBaseSamples:
    """The upper vertebra's pars on each side and spinous base; None where the scan does not show one."""

    pars: dict[Side, SampledPart | None]
    base: SampledPart | None


def pars_and_base_samples(level: Level, level_bone: LevelBone) -> ParsAndBaseSamples:
    """The weak places of a level in its bone."""
    pars = {side: _sampled_part(level, level_bone, label_of(level.upper, sided("pars", side))) for side in SIDES}
    return ParsAndBaseSamples(pars, _sampled_part(level, level_bone, label_of(level.upper, Part.SPINOUS_BASE)))


def thickness_mm(section: Samples) -> float:
    """Area of a sagittal section, over its height.

    >>> float(thickness_mm(np.ones((6, 9), dtype=np.float32)) / SAMPLE_MM)
    6.0
    """
    upward = section.sum(axis=0, dtype=float)
    return float(upward.sum() / max(int((upward >= BONE_FRAC).sum()), 1) * SAMPLE_MM)


def least_width_mm(bone: Samples) -> float:
    """Shortest, over the axial planes, of the longest unbroken runs along x.

    Parameters
    ----------
    bone : (nx, ny, nz) array, share of bone at samples SAMPLE_MM apart
    """
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
