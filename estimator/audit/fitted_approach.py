"""Fit of an approach to the bone taken: side, entry and tilts.

1. A reference for each side: the plan, or the usual start. Its tools' paths are read on a lattice, those of its own
   side and those across apart.
2. Both are moved at the bone and tilted about the docking point, each with its own tilts, until what they would take
   differs least (squares) from the bone taken: first on a coarse grid, then by steps that are halved. They are blurred
   as the bone taken was (`bone_change`).
3. The side that explains more is reported, and how much of its bone and the bone taken is the same (Dice).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.estimator.approach.approach import Approach, Phase, axis_level, tilts_deg
from canalwise.estimator.audit.bone_change import BLUR_MM, BLUR_VOXELS
from canalwise.estimator.geometry.bricks import bricks_of_voxels
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.estimator.resection.resection import resection_level_of, resection_of
from canalwise.estimator.resection.resection_level import Resection
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.grid import Float, Grid, triple
from canalwise.recon.image.sampling import linear_at
from canalwise.recon.labels import SIDES, Side

LATTICE_MM = 1.0
"""Spacing of the lattice on which a reference's paths are read."""

LATERAL_MM, VENTRAL_MM, DORSAL_MM, ALONG_MM = 30.0, 12.0, 40.0, 32.0
"""It reaches this far from the level's origin."""

REACH_CELLS = 17
"""Bone within half of this many cells of a reference's paths can be met when they are moved."""

FIRST_GRID = (-4.0, 0.0, 4.0)
"""Shifts, mm, and common medial tilts, twice as many degrees, of the coarse grid."""

FIRST_STEPS, LAST_STEP_MM = (2.0, 2.0, 2.0, 4.0, 4.0, 4.0, 4.0), 0.2
"""First steps of the walk: lateral, cranial, deeper shift (mm), then medial and cranial tilt of either part (deg)."""


FARTHEST = (8.0, 8.0, 4.0, 16.0, 16.0, 16.0, 16.0)
"""Largest execution error from the reference (mm, deg): about four standard deviations of a trainee's."""


EXECUTION_SDS = np.array([2.0, 2.0, 1.0, 4.0, 4.0, 4.0, 4.0])
"""Standard deviations of execution errors (mm, deg; docs/published-values.md#execution-errors), widened."""

UNLIKELY = 0.003
"""What a standard deviation squared costs, as a share of the misfit: of motions that explain the same, the lesser."""


@dataclass(frozen=True)
class ToolMotion:
    """Motion of an approach as carried out against its reference.

    Parameters
    ----------
    lateral_mm, cranial_mm, deeper_mm : shift at the bone, away from the midline on the approach's side
    medial_deg, cranial_deg : further tilt about the docking point, of the own side and across
    """

    lateral_mm: float = 0.0
    cranial_mm: float = 0.0
    deeper_mm: float = 0.0
    medial_deg: tuple[float, float] = (0.0, 0.0)
    cranial_deg: tuple[float, float] = (0.0, 0.0)

    @classmethod
    def of(cls, numbers: Float) -> ToolMotion:
        """From lateral, cranial, deeper, then (medial, cranial) of the own side and of the other.

        >>> ToolMotion.of(np.arange(7.0)).medial_deg
        (3.0, 5.0)
        """
        a, b, c, m, d, n, e = (float(x) for x in numbers)
        return cls(a, b, c, (m, n), (d, e))

    def before_mm(self, side: Side, docking_mm: Float, part: int, level_mm: Float) -> Float:
        """(N, 3) array: which places of the reference come to lie at (N, 3) places, level frame.

        `part` is 0 on the approach's own side and 1 across.

        >>> moved = ToolMotion(lateral_mm=2.0)
        >>> moved.before_mm("left", np.zeros(3), 0, np.array([[2.0, 0.0, 0.0]])).tolist()
        [[0.0, 0.0, 0.0]]
        """
        turn = self.turn(side, part)
        return (level_mm - docking_mm - self.shift_mm(side)) @ turn + docking_mm

    def shift_mm(self, side: Side) -> Float:
        """(3,) array, level frame.

        >>> ToolMotion(lateral_mm=1.0, cranial_mm=2.0, deeper_mm=3.0).shift_mm("right").tolist()
        [-1.0, -3.0, 2.0]
        """
        toward = 1.0 if side == "left" else -1.0
        return np.array([toward * self.lateral_mm, -self.deeper_mm, self.cranial_mm])

    def turn(self, side: Side, part: int) -> Float:
        """(3, 3) array, level frame: the further tilt of a part.

        >>> ToolMotion().turn("left", 0).tolist() == np.eye(3).tolist()
        True
        """
        across = 1.0 if side == "right" else -1.0
        m, c = np.radians(across * self.medial_deg[part]), -np.radians(self.cranial_deg[part])
        about_z = np.array([[np.cos(m), -np.sin(m), 0], [np.sin(m), np.cos(m), 0], [0, 0, 1]])
        about_x = np.array([[1, 0, 0], [0, np.cos(c), -np.sin(c)], [0, np.sin(c), np.cos(c)]])
        return np.asarray(about_z @ about_x)


@dataclass(frozen=True, eq=False)
class FittedApproach:
    """The approach that explains best what was taken.

    Parameters
    ----------
    approach : side, docking point and tilts as they were carried out
    motion : against the reference
    reference : 'plan' or 'usual start'
    overlap_frac : of its bone and the bone taken (Dice), by the patient's side
    """

    approach: Approach
    motion: ToolMotion
    reference: str
    overlap_frac: Mapping[Side, float]


def fitted_approach(prepared: PreparedLevel, taken: Removal, plan: Approach | None) -> FittedApproach | None:
    """The approach that explains best what was taken; None where nothing was, or no access is in view."""
    if taken.total_mm3 <= 0:
        return None
    fits: dict[Side, tuple[_Fit, Approach]] = {}
    for side in SIDES:
        try:
            reference = plan if plan is not None and plan.side == side else _usual(prepared, side)
            fits[side] = _walked(tool_paths(planned_resection(prepared, reference)), taken), reference
        except CanalwiseError:
            continue
    if not fits:
        return None
    best = min(fits, key=lambda side: fits[side][0].misfit)
    fit, reference = fits[best]
    return FittedApproach(
        moved_approach(reference, fit.motion),
        fit.motion,
        "plan" if plan is not None and plan.side == best else "usual start",
        {side: each.overlap_frac for side, (each, _) in fits.items()},
    )


def planned_resection(prepared: PreparedLevel, approach: Approach) -> Resection:
    """The planned resection of an approach; raises AnatomyNotFound without sac or ligament."""
    return resection_of(resection_level_of(prepared), approach)


def _usual(prepared: PreparedLevel, side: Side) -> Approach:
    return default_approach(prepared.anatomy, prepared.level.name, side)


def moved_approach(reference: Approach, motion: ToolMotion) -> Approach:
    """The reference as it was carried out: docking point and tilts of its first and last phase.

    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, (Phase("ipsilateral", 5.0),))
    >>> moved = moved_approach(plan, ToolMotion(1.0, medial_deg=(2.0, 0.0)))
    >>> moved.docking_point_mm, round(moved.phases[0].medial_tilt_deg, 6)
    ((9.0, 12.0, 0.0), 7.0)
    """
    side, last = reference.side, len(reference.phases) - 1

    def moved(phase: Phase, part: int) -> Phase:
        axis = motion.turn(side, part) @ axis_level(side, phase.medial_tilt_deg, phase.cranial_tilt_deg)
        medial, cranial = tilts_deg(side, axis)
        return replace(phase, medial_tilt_deg=medial, cranial_tilt_deg=cranial)

    phases = tuple(moved(phase, 1 if n == last and last > 0 else 0) for n, phase in enumerate(reference.phases))
    docking = triple(np.array(reference.docking_point_mm) + motion.shift_mm(side))
    return replace(reference, docking_point_mm=docking, phases=phases)


@dataclass(frozen=True, eq=False)
class ToolPaths:
    """A reference's tool paths on a lattice: share of each cell that tools of the own side and across hollow out."""

    approach: Approach
    grid: Grid
    parts: tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]
    resection: Resection

    def share_at(self, points_mm: Float, motion: ToolMotion) -> Float:
        """(N,) array: how much is hollowed out at (N, 3) RAS points by the reference so moved."""
        read = [linear_at(field, self._index(points_mm, motion, part)) for part, field in enumerate(self.parts)]
        return np.maximum(*read)

    def _index(self, points_mm: Float, motion: ToolMotion, part: int) -> Float:
        """(N, 3) array: lattice index of where each point lay before the motion; one matrix for all steps."""
        frame, docking = self.resection.at.level.frame, np.array(self.approach.docking_point_mm)
        corners = np.concatenate([np.zeros((1, 3)), np.eye(3)])
        level_mm = motion.before_mm(self.approach.side, docking, part, frame.to_level_mm(corners))
        index = self.grid.index_of(frame.to_world_mm(level_mm))
        return np.asarray(points_mm @ (index[1:] - index[0]) + index[0])

    def blurred(self, sigma_mm: float) -> ToolPaths:
        """The same as an average over a Gaussian sees it."""
        near, across = (np.asarray(ndimage.gaussian_filter(field, sigma_mm / LATTICE_MM)) for field in self.parts)
        return replace(self, parts=(near, across))


def tool_paths(resection: Resection) -> ToolPaths:
    """The tool paths of a resection, near and across apart, with what its tips bite off."""
    frame, approach = resection.at.level.frame, resection.approach
    low = np.array([-LATERAL_MM, -VENTRAL_MM, -ALONG_MM])
    shape = np.rint((np.array([LATERAL_MM, DORSAL_MM, ALONG_MM]) - low) / LATTICE_MM).astype(int) + 1
    affine = np.eye(4)
    affine[:3, :3] = frame.axes_ras.T * LATTICE_MM
    affine[:3, 3] = frame.to_world_mm(low)
    i, j, k = (int(n) for n in shape)
    grid = Grid((i, j, k), affine)
    near = (resection.tips_mm[:, 0] >= 0) == (approach.side == "left")
    index = np.argwhere(np.ones(grid.shape, dtype=bool))
    bricks = bricks_of_voxels(grid, index)
    bitten = linear_at(
        resection.removal.taken_frac, resection.removal.level_bone.grid.index_of(grid.world_mm(index))
    ).astype(np.float32)
    own_side = (low[0] + index[:, 0] * LATTICE_MM >= 0) == (approach.side == "left")
    parts = []
    for mine, half in ((near, own_side), (~near, ~own_side)):
        field = np.where(half, bitten, np.float32(0))
        if mine.any():
            region = replace(resection.region, pivots_mm=resection.pivots_mm[mine], tips_mm=resection.tips_mm[mine])
            covered = region.covered(bricks)
            at = bricks.order[covered.places]
            field[at] = np.maximum(field[at], covered.share)
        parts.append(field.reshape(grid.shape))
    return ToolPaths(approach, grid, (parts[0], parts[1]), resection)


@dataclass(frozen=True, eq=False)
class _Fit:
    """Overlap of a moved reference with the bone taken.

    `misfit` is the squared difference left, as a share of what there would be with no approach at all.
    """

    motion: ToolMotion
    misfit: float
    overlap_frac: float


def _walked(paths: ToolPaths, taken: Removal) -> _Fit:
    """The best fit of a reference's tool paths."""
    level_bone = taken.level_bone
    sigma_mm = float(np.maximum(BLUR_MM, BLUR_VOXELS * level_bone.grid.spacing_mm).mean())
    seen = paths.blurred(sigma_mm)
    bone = level_bone.takeable.voxels
    points = level_bone.grid.world_mm(np.stack(np.unravel_index(bone, level_bone.grid.shape), axis=-1))
    achieved = taken.taken_frac.reshape(-1)[bone].astype(float)
    # bone that neither was taken nor can be met by the reference however it is moved decides nothing
    wide = [np.asarray(ndimage.maximum_filter(part, REACH_CELLS)) for part in paths.parts]
    reached = (replace(paths, parts=(wide[0], wide[1])).share_at(points, ToolMotion()) > 0) | (achieved > 0)
    points, achieved = points[reached], achieved[reached]
    amount = level_bone.bone_mm3.reshape(-1)[bone[reached]].astype(float)
    whole = float(amount @ achieved**2)

    def misfit(numbers: Float) -> float:
        left = float(amount @ (seen.share_at(points, ToolMotion.of(numbers)) - achieved) ** 2) / max(whole, 1e-9)
        return left + UNLIKELY * float(np.sum((numbers / EXECUTION_SDS) ** 2))

    best, least = _least(misfit)
    motion = ToolMotion.of(best)
    share = paths.share_at(points, motion)
    both = float(amount @ np.minimum(share, achieved))
    return _Fit(motion, least, 2 * both / max(float(amount @ share) + taken.total_mm3, 1e-9))


def _least(misfit: Callable[[Float], float]) -> tuple[Float, float]:
    """(numbers of a motion, misfit): best of a coarse grid, then downhill by steps that are halved."""
    tried = [np.array([x, z, 0.0, 2 * m, 0.0, 2 * m, 0.0]) for x, z, m in product(FIRST_GRID, repeat=3)]
    found = [misfit(numbers) for numbers in tried]
    best, value = tried[int(np.argmin(found))], min(found)
    steps = np.array(FIRST_STEPS)
    while steps[0] > LAST_STEP_MM:
        moved = False
        for axis, sign in product(range(len(steps)), (1.0, -1.0)):
            there = best.copy()
            there[axis] = np.clip(there[axis] + sign * steps[axis], -FARTHEST[axis], FARTHEST[axis])
            now = misfit(there)
            if now < value - 1e-9:
                best, value, moved = there, now, True
        if not moved:
            steps = steps / 2
    return best, value
