"""Target points that the tool's tip can touch, the reach across the midline, and what limits it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from canalwise.estimator.approach.approach import PlacedPhase
from canalwise.estimator.geometry.field_sampling import labels_along_line
from canalwise.estimator.geometry.signed_distance import cone_distance_mm
from canalwise.estimator.level.keep_out import KeepOut
from canalwise.estimator.level.level_bone import PROTECTED
from canalwise.estimator.level.target_names import AT_DISC
from canalwise.estimator.level.target_points import all_points_mm
from canalwise.recon.anatomy import Anatomy, Level, Targets
from canalwise.recon.grid import Float, triple
from canalwise.recon.labels import Mask

TOUCH_TOL_MM = 1e-6
"""A target this much beyond the tool's surface still counts as touched."""


SWEEP, FACET_LIMIT, SPINOUS_BASE = "sweep", "facet limit", "spinous base"
"""What ends a reach by itself, and the limits that tilting on would break first."""

ALL_TOUCHED = "nothing: every target is touched"


@dataclass(frozen=True)
class Reach:
    """Reach on one side.

    `lateral_mm`: farthest touched point from the midline at disc level (0 if none);
    `targets`: name -> share touched; `clearance_mm`: least distance of the tool's surface to
    the retracted sac along the path (NaN if nothing is touched); `limited_by`: what stops the
    next millimetre; `next_ras_mm`: the target that would come next, None when all are touched.
    """

    lateral_mm: float
    targets: dict[str, float]
    clearance_mm: float
    limited_by: str
    next_ras_mm: tuple[float, float, float] | None


@dataclass(frozen=True, eq=False)
class Touch:
    """Per target point and phase, what blocks the path; (P, N) arrays."""

    in_cone: Mask
    in_length: Mask
    sight_mm: Float
    bone_free: Mask

    @property
    def touched(self) -> Mask:
        """(P, N) array: touched in that phase?

        >>> yes, no = np.array([[True, True]]), np.array([[True, False]])
        >>> Touch(yes, yes, np.array([[0.3, 0.3]]), no).touched.tolist()
        [[True, False]]
        """
        return np.asarray(self.in_cone & self.in_length & (self.sight_mm >= 0) & self.bone_free)


def touch_of(anatomy: Anatomy, phases: tuple[PlacedPhase, ...], keep_out: KeepOut, points_mm: Float) -> Touch:
    """How each phase stands to each (N, 3) target point.

    The tool's ball touches a point within its radius, so both the cone test and the line
    of sight stop one tool radius short of it.
    """
    rows = [_touch_by(anatomy, phase, keep_out, points_mm) for phase in phases]
    return Touch(*(np.array(column) for column in zip(*rows, strict=True)))


def _touch_by(
    anatomy: Anatomy, phase: PlacedPhase, keep_out: KeepOut, points_mm: Float
) -> tuple[Mask, Mask, Float, Mask]:
    radius = phase.tool_radius_mm
    reached = cone_distance_mm(points_mm, phase, phase.tip_depth_mm) <= radius + TOUCH_TOL_MM
    # the cone of a tool without end: what lies in it and is not reached, the length alone keeps out
    longer = cone_distance_mm(points_mm, phase, phase.tip_depth_mm + 1000.0) <= radius + TOUCH_TOL_MM
    sight = keep_out.sight_mm(phase.pivot_ras_mm, points_mm, short_of_mm=radius)
    return longer, reached | ~longer, sight, ~_meets_protected(anatomy, phase.pivot_ras_mm, points_mm, radius)


def _meets_protected(anatomy: Anatomy, pivot_mm: Float, points_mm: Float, short_of_mm: float) -> Mask:
    """(N,) array: does the straight line, ending short of the point, run through protected bone?"""
    labels, to_index = anatomy.labels, np.linalg.inv(anatomy.grid.affine_ras_mm)[:3]
    if not labels.flags.c_contiguous:  # as most scans come, first axis fastest: the same array read in reverse order
        labels, to_index = labels.T, to_index[::-1]
    hit = np.empty(len(points_mm), dtype=bool)
    labels_along_line(
        np.ascontiguousarray(labels),
        np.ascontiguousarray(to_index),
        np.asarray(pivot_mm, dtype=float),
        np.ascontiguousarray(points_mm, dtype=float),
        short_of_mm,
        PROTECTED,
        hit,
    )
    return hit


def reach_of(
    anatomy: Anatomy, level: Level, targets: Targets, phases: tuple[PlacedPhase, ...], keep_out: KeepOut
) -> Reach:
    """The reach of an approach's phases on one side's targets."""
    points = all_points_mm(targets)
    touch = touch_of(anatomy, phases, keep_out, points)
    touched = np.atleast_1d(touch.touched.any(axis=0))
    names = np.repeat(list(targets.points_ras_mm), [len(p) for p in targets.points_ras_mm.values()])
    at_disc = touched & np.isin(names, AT_DISC)
    sights = touch.sight_mm[touch.touched]
    missed = next_missed(level, points, touched)
    return Reach(
        lateral_mm=float(np.abs(level.frame.to_level_mm(points[at_disc])[:, 0]).max(initial=0.0)),
        targets=touched_frac(targets.points_ras_mm, touched),
        clearance_mm=float(sights.min() + keep_out.clearance_radius_mm - phases[0].tool_radius_mm)
        if len(sights)
        else float("nan"),
        limited_by=ALL_TOUCHED if missed is None else _limited_by(points, missed, touch, keep_out, phases),
        next_ras_mm=None if missed is None else triple(points[missed]),
    )


def touched_frac(sets: Mapping[str, Float], touched: Mask) -> dict[str, float]:
    """Name -> share of a set's points that are touched, NaN for an empty set; (N,) `touched` runs through all sets.

    >>> touched_frac({"a": np.zeros((2, 3)), "b": np.zeros((0, 3))}, np.array([True, False]))
    {'a': 0.5, 'b': nan}
    """
    lengths = [len(points) for points in sets.values()]
    pieces = np.split(touched, np.cumsum(lengths))  # and nothing after the last
    shares = (float(np.mean(piece)) if len(piece) else float("nan") for piece in pieces)
    return dict(zip(sets, shares, strict=False))


def next_missed(level: Level, points_mm: Float, touched: Mask) -> int | None:
    """Index of the untouched point nearest the midline beyond the touched ones; None if all are touched.

    `points_mm` (N, 3) array, RAS; `touched` (N,) mask.
    """
    if touched.all():
        return None
    lateral = np.abs(level.frame.to_level_mm(points_mm)[:, 0])
    return int(np.where(touched, np.inf, lateral).argmin())


def _limited_by(points: Float, missed: int, touch: Touch, keep_out: KeepOut, phases: tuple[PlacedPhase, ...]) -> str:
    phase = nearest_phase(touch, missed)
    if not touch.in_cone[phase, missed]:
        return SWEEP
    if not touch.in_length[phase, missed]:
        return "working length"
    if not touch.bone_free[phase, missed]:
        return "protected bone"
    thin = replace(keep_out, clearance_radius_mm=keep_out.clearance_radius_mm - phases[phase].tool_radius_mm)
    clear_when_thin = thin.sight_mm(phases[phase].pivot_ras_mm, points[missed : missed + 1])[0] >= 0
    return "tool diameter" if clear_when_thin else "sac"


def nearest_phase(touch: Touch, missed: int) -> int:
    """The phase that comes nearest to touching: most tests passed, the widest sight breaking ties.

    Here the first phase lacks the length, the second only bone that is free.

    >>> yes, no = np.array([[True], [True]]), np.array([[False], [False]])
    >>> nearest_phase(Touch(np.array([[False], [True]]), np.array([[False], [True]]), np.ones((2, 1)), no), 0)
    1
    """
    passed = touch.in_cone.astype(int) + touch.in_length + touch.bone_free + (touch.sight_mm >= 0)
    sight = np.clip(touch.sight_mm[:, missed], -1e3, 1e3)
    return int((passed[:, missed] + sight * 1e-6).argmax())
