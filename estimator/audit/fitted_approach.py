"""Fit of an approach to the bone taken: side, entry and tilts.

1. A reference for each side: the plan, or the usual start. Its tools' paths and the bites of their tips are read on a
   lattice, those of its own side and those across apart.
2. Both are moved at the bone and tilted about the docking point, each with its own tilts, until what they would take
   differs least (squares) from the bone taken: paths take all bone that they pass through, bites what stands in the
   room needed, which stays where it is. First on a coarse grid, then by the method of Gauss and Newton with a trust
   region (`scipy.optimize.least_squares`): shifts and tilts pull the same way, so one after the other they do not
   settle.
3. The side that explains more is reported, and how much of its bone and the bone taken is the same (Dice).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.optimize import least_squares
from scipy.spatial import cKDTree

from canalwise.estimator.approach.approach import Approach, Phase, axis_level, tilts_deg
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

Cells = npt.NDArray[np.float32]

LATTICE_MM = 1.0
"""Spacing of the lattice on which a reference's paths are read."""

LATERAL_MM, VENTRAL_MM, DORSAL_MM, ALONG_MM = 30.0, 12.0, 40.0, 32.0
"""It reaches this far from the level's origin."""

REACH_CELLS = 17
"""Bone within half of this many cells of a reference's paths can be met when they are moved."""

FIRST_GRID = (-4.0, 0.0, 4.0)
"""Shifts, mm, and common medial tilts, twice as many degrees, of the coarse grid."""

STARTS = 2
"""So many of the coarse grid are followed downhill."""

SLOPE_STEPS = np.array([0.4, 0.4, 0.4, 0.8, 0.8, 0.8, 0.8])
"""Differences from which slopes are taken: lateral, cranial, deeper shift (mm), medial and cranial tilt (deg) of
either part; finer ones see the lattice."""

SETTLED_FRAC, MOST_STEPS = 1e-4, 30
"""A walk ends where the misfit falls by less than this share, or after so many steps."""

FARTHEST = np.array([8.0, 8.0, 4.0, 16.0, 16.0, 16.0, 16.0])
"""Largest execution error from the reference (mm, deg): about four standard deviations of a trainee's."""

EXECUTION_SDS = np.array([2.0, 2.0, 1.0, 4.0, 4.0, 4.0, 4.0])
"""Standard deviations of execution errors (mm, deg; docs/published-values.md#execution-errors), widened."""

UNLIKELY = 0.006
"""What a standard deviation squared costs, as a share of the misfit: of motions that explain the same, the lesser."""

BLUR_MM = 0.4
"""Blur of both paths and bites: that of the lattice and of the bone taken (`deblurring`), about."""


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
    """A reference's tools on a lattice.

    Parameters
    ----------
    parts : share of each cell that the paths of tools of the own side and across hollow out
    bites : the same of what their tips can bite off
    overhang : share of each of the case's voxels that is bone in the room needed
    """

    approach: Approach
    grid: Grid
    parts: tuple[Cells, Cells]
    bites: tuple[Cells, Cells]
    overhang: Cells
    resection: Resection

    def share_at(self, points_mm: Float, motion: ToolMotion) -> Float:
        """(N,) array: how much is taken at (N, 3) RAS points by the reference so moved."""
        return self.share_of(points_mm, self.overhang_at(points_mm), motion)

    def overhang_at(self, points_mm: Float) -> Float:
        """(N,) array: how much of what lies at (N, 3) RAS points stands in the room needed."""
        return np.asarray(linear_at(self.overhang, self.resection.removal.level_bone.grid.index_of(points_mm)))

    def share_of(self, points_mm: Float, overhang: Float, motion: ToolMotion) -> Float:
        """As `share_at`, where the overhang at the points is known."""
        share = np.zeros(len(points_mm))
        for part, (path, bite) in enumerate(zip(self.parts, self.bites, strict=True)):
            index = self._index(points_mm, motion, part)
            bitten = np.minimum(linear_at(bite, index), overhang)
            share = np.maximum(share, np.maximum(linear_at(path, index), bitten))
        return share

    def _index(self, points_mm: Float, motion: ToolMotion, part: int) -> Float:
        """(N, 3) array: lattice index of where each point lay before the motion; one matrix for all steps."""
        frame, docking = self.resection.at.level.frame, np.array(self.approach.docking_point_mm)
        corners = np.concatenate([np.zeros((1, 3)), np.eye(3)])
        level_mm = motion.before_mm(self.approach.side, docking, part, frame.to_level_mm(corners))
        index = self.grid.index_of(frame.to_world_mm(level_mm))
        return np.asarray(points_mm @ (index[1:] - index[0]) + index[0])

    def blurred(self, sigma_mm: float) -> ToolPaths:
        """The same as an average over a Gaussian sees it."""
        return replace(self, parts=_all_blurred(self.parts, sigma_mm), bites=_all_blurred(self.bites, sigma_mm))


def _all_blurred(fields: tuple[Cells, Cells], sigma_mm: float) -> tuple[Cells, Cells]:
    near, across = (np.asarray(ndimage.gaussian_filter(field, sigma_mm / LATTICE_MM)) for field in fields)
    return near, across


def tool_paths(resection: Resection) -> ToolPaths:
    """The tool paths of a resection, near and across apart, with what its tips can bite off."""
    grid, approach = _lattice(resection), resection.approach
    near = (resection.tips_mm[:, 0] >= 0) == (approach.side == "left")
    index = np.argwhere(np.ones(grid.shape, dtype=bool))
    bricks = bricks_of_voxels(grid, index)
    level_mm = resection.at.level.frame.to_level_mm(grid.world_mm(index))
    parts, bites = [], []
    for mine in (near, ~near):
        part, bite = np.zeros(len(index), dtype=np.float32), np.zeros(len(index), dtype=np.float32)
        if mine.any():
            region = replace(resection.region, pivots_mm=resection.pivots_mm[mine], tips_mm=resection.tips_mm[mine])
            covered = region.covered(bricks)
            part[bricks.order[covered.places]] = covered.share
            away_mm = cKDTree(resection.tips_mm[mine]).query(level_mm)[0]
            bite[:] = np.clip(0.5 + (resection.at.rules.value("bite_mm") - away_mm) / LATTICE_MM, 0, 1)
        parts.append(part.reshape(grid.shape))
        bites.append(bite.reshape(grid.shape))
    return ToolPaths(approach, grid, (parts[0], parts[1]), (bites[0], bites[1]), overhang_of(resection), resection)


def _lattice(resection: Resection) -> Grid:
    """The lattice about a level, along its frame."""
    frame = resection.at.level.frame
    low = np.array([-LATERAL_MM, -VENTRAL_MM, -ALONG_MM])
    i, j, k = (int(n) for n in np.rint((np.array([LATERAL_MM, DORSAL_MM, ALONG_MM]) - low) / LATTICE_MM) + 1)
    affine = np.eye(4)
    affine[:3, :3] = frame.axes_ras.T * LATTICE_MM
    affine[:3, 3] = frame.to_world_mm(low)
    return Grid((i, j, k), affine)


def overhang_of(resection: Resection) -> Cells:
    """(nx, ny, nz) array: share of each voxel of the case that is bone in the room needed."""
    wanted = resection.at.wanted
    bony = wanted.bone_mm3 > 0
    out = np.zeros(resection.removal.level_bone.grid.shape, dtype=np.float32)
    out.reshape(-1)[wanted.voxels[bony]] = wanted.share[bony]
    return out


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
    level_bone, seen = taken.level_bone, paths.blurred(BLUR_MM)
    bone = level_bone.takeable.voxels
    points = level_bone.grid.world_mm(np.stack(np.unravel_index(bone, level_bone.grid.shape), axis=-1))
    achieved = taken.taken_frac.reshape(-1)[bone].astype(float)
    # bone that neither was taken nor can be met by the reference however it is moved decides nothing
    wide = [np.asarray(ndimage.maximum_filter(np.maximum(part, bite), REACH_CELLS))
            for part, bite in zip(paths.parts, paths.bites, strict=True)]  # fmt: skip
    reached = (replace(paths, parts=(wide[0], wide[1])).share_at(points, ToolMotion()) > 0) | (achieved > 0)
    points, achieved = points[reached], achieved[reached]
    amount = level_bone.bone_mm3.reshape(-1)[bone[reached]].astype(float)
    weight = np.sqrt(amount / max(float(amount @ achieved**2), 1e-9))
    overhang = paths.overhang_at(points)

    def apart(numbers: Float) -> Float:
        left = weight * (seen.share_of(points, overhang, ToolMotion.of(numbers)) - achieved)
        return np.concatenate([left, np.sqrt(UNLIKELY) * numbers / EXECUTION_SDS])

    best, least = _least(apart)
    motion = ToolMotion.of(best)
    share = paths.share_of(points, overhang, motion)
    both = float(amount @ np.minimum(share, achieved))
    return _Fit(motion, least, 2 * both / max(float(amount @ share) + taken.total_mm3, 1e-9))


def _least(apart: Callable[[Float], Float]) -> tuple[Float, float]:
    """(numbers of a motion, sum of squares): best of a coarse grid, then downhill."""
    tried = [np.array([x, z, 0.0, 2 * m, 0.0, 2 * m, 0.0]) for x, z, m in product(FIRST_GRID, repeat=3)]
    misfits = [float(np.sum(apart(numbers) ** 2)) for numbers in tried]

    def slopes(numbers: Float) -> Float:
        here = apart(numbers)
        return np.stack([apart(numbers + step) - here for step in np.diag(SLOPE_STEPS)], axis=1) / SLOPE_STEPS

    ends = [
        least_squares(apart, tried[n], slopes, (-FARTHEST, FARTHEST), x_scale=EXECUTION_SDS, ftol=SETTLED_FRAC,
                      max_nfev=MOST_STEPS)
        for n in np.argsort(misfits, kind="stable")[:STARTS]
    ]  # fmt: skip
    best = min(ends, key=lambda end: float(end.cost))
    return np.asarray(best.x), 2 * float(best.cost)
