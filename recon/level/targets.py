"""The points a decompression must reach, on each side of the canal."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from canalwise.recon.anatomy import Targets
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Side
from canalwise.recon.level.axial_contour import border_mm, canal_contour, centroid_mm, evenly
from canalwise.recon.level.resampled_level import ResampledLevel

STEP_MM = 0.5
"""Distance between target points along an outline."""

WALL_FROM, BORDER_FROM, BORDER_TO, RECESS_FROM, ENTRANCE_FROM = 0.5, 0.25, 0.9, 0.7, 0.9
"""Shares of the half-width that bound each target (docs/numbers.md#anatomical-definitions)."""

SAME_POINT_MM = 1e-6
"""A point of the outline this near its most ventral point at the same x is that point."""

NAMES = ("canal wall", "lateral recess", "foramen entrance", "disc border")
"""Every target a side may have."""


def targets_of(view: ResampledLevel, landmarks_ras_mm: Mapping[str, Float]) -> dict[Side, Targets]:
    """side -> targets; a target whose plane or landmark is not in view is left out, as is a side without any.

    `landmarks_ras_mm` (3,) arrays by name.
    """
    level = {name: view.frame.to_level_mm(point) for name, point in landmarks_ras_mm.items()}
    found = {side: _side_targets(view, level, side) for side in SIDES}
    return {side: Targets(side, points) for side, points in found.items() if points}


def _side_targets(view: ResampledLevel, landmarks_mm: Mapping[str, Float], side: Side) -> dict[str, Float]:
    below = landmarks_mm.get(f"lower_pedicle_upper_edge_{side}")
    above = landmarks_mm.get(f"upper_pedicle_lower_edge_{side}")
    recess_z = None if below is None else float(below[2])
    entrance_z = None if below is None or above is None else float(below[2] + above[2]) / 2
    found = {
        "canal wall": _wall(view, side, 0.0, WALL_FROM),
        "lateral recess": _recess(view, side, recess_z),
        "foramen entrance": _wall(view, side, entrance_z, ENTRANCE_FROM),
        "disc border": _disc_border(view, side),
    }
    return {
        name: view.frame.to_world_mm(points) for name, points in found.items() if points is not None and len(points)
    }


def _outline(view: ResampledLevel, side: Side, z_mm: float | None) -> tuple[Float, Float, Float] | None:
    """Outline, its evenly spaced points of one side, and their |x| over the largest |x|; None without the plane."""
    outline = None if z_mm is None else canal_contour(view, z_mm)
    if outline is None:
        return None
    points = evenly(outline, STEP_MM)
    points = points[(points[:, 0] > 0) == (side == "left")]
    if not len(points):
        return None
    reach = np.abs(points[:, 0])
    return outline, points, reach / reach.max()


def _lifted(points: Float, z_mm: float) -> Float:
    return np.column_stack([points, np.full(len(points), z_mm)])


def _wall(view: ResampledLevel, side: Side, z_mm: float | None, from_frac: float) -> Float | None:
    found = _outline(view, side, z_mm)
    if found is None or z_mm is None:
        return None
    _, points, reach = found
    return _lifted(points[reach >= from_frac], z_mm)


def _recess(view: ResampledLevel, side: Side, z_mm: float | None) -> Float | None:
    found = _outline(view, side, z_mm)
    if found is None or z_mm is None:
        return None
    outline, points, reach = found
    return _lifted(points[(reach >= RECESS_FROM) & (points[:, 1] < centroid_mm(outline)[1])], z_mm)


def _disc_border(view: ResampledLevel, side: Side) -> Float | None:
    found = _outline(view, side, 0.0)
    if found is None:
        return None
    outline, points, reach = found
    ventral = points[:, 1] <= [_most_ventral_mm(outline, float(x)) + SAME_POINT_MM for x in points[:, 0]]
    return _lifted(points[ventral & (reach >= BORDER_FROM) & (reach <= BORDER_TO)], 0.0)


def _most_ventral_mm(outline: Float, x_mm: float) -> float:
    border = border_mm(outline, x_mm, "ventral")
    return np.inf if border is None else border
