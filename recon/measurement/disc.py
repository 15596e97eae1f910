"""The disc space: posterior height and slip of the upper vertebra on the lower."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from canalwise.recon.anatomy import Measurement
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float
from canalwise.recon.labels import Part
from canalwise.recon.level.frame import end_plates
from canalwise.recon.level.resampled_level import cut_by_scan
from canalwise.recon.measurement.context import MeasurementContext
from canalwise.recon.measurement.kinds import measured

MIDLINE_HALF_MM = 4.0
"""Half the width of the sagittal strip in which the bodies' borders are read."""

RIM_LOW_MM, RIM_HIGH_MM = 2.0, 4.0
"""Depth range behind an end plate in which a body's border is read: past the rounded rim, before the waist."""


def disc_measurements(scene: MeasurementContext) -> tuple[Measurement, ...]:
    """Posterior disc height, slip in mm and in percent of the lower end plate's depth (Meyerding)."""
    out: list[Measurement] = []
    out += measured("posterior disc height", _posterior_height_mm(scene))
    upper, lower = (_borders_mm(scene, name) for name in (scene.view.upper, scene.view.lower))
    if upper is not None and lower is not None:
        slip, depth = lower[1] - upper[1], lower[1] - lower[0]
        out += measured("slip", slip, upper=scene.view.upper, lower=scene.view.lower)
        out += measured("slip share", 100 * slip / depth, upper=scene.view.upper, lower=scene.view.lower)
    return tuple(out)


def _posterior_height_mm(scene: MeasurementContext) -> float | None:
    """Distance along z between the end-plate planes at the disc's dorsal border."""
    border = scene.landmarks_mm.get("disc_dorsal_border")
    if border is None:
        return None
    try:
        plates = end_plates(scene.view)
    except AnatomyNotFound:
        return None
    heights = [
        _plane_height_mm(point, normal, border)
        for point, normal in (
            (plates.upper_point_mm, plates.upper_normal),
            (plates.lower_point_mm, plates.lower_normal),
        )
    ]
    return heights[0] - heights[1]


def _plane_height_mm(point: Float, normal: Float, at: Float) -> float:
    """z of a plane above the (x, y) of a point."""
    return float(point[2] - (at[:2] - point[:2]) @ normal[:2] / normal[2])


def _borders_mm(scene: MeasurementContext, vertebra: str) -> tuple[float, float] | None:
    """y of the ventral and dorsal border of a body near its end plate, in the midline; None when the scan cuts it."""
    view = scene.view
    points = view.points_mm(view.mask(vertebra, Part.BODY))
    points = points[np.abs(points[:, 0]) <= MIDLINE_HALF_MM]
    if not len(points):
        return None
    height = points[:, 2] if vertebra == view.upper else -points[:, 2]
    start = _plate_height_mm(points, height)
    points = points[(height >= start + RIM_LOW_MM) & (height <= start + RIM_HIGH_MM)]
    if not len(points):
        return None
    ventral, dorsal = (float(np.median(_extreme(points, sign))) for sign in (-1.0, 1.0))
    z = float(points[:, 2].mean())
    if cut_by_scan(view, np.array([0.0, ventral, z])) or cut_by_scan(view, np.array([0.0, dorsal, z])):
        return None
    return ventral - view.step_mm / 2, dorsal + view.step_mm / 2


def _plate_height_mm(points: Float, height: Float) -> float:
    """Height of the end plate above z = 0: median over sagittal columns of the nearest body voxel."""
    group = _rows_of(points[:, :2])
    nearest = np.full(group.max() + 1, np.inf)
    np.minimum.at(nearest, group, height)
    return float(np.median(nearest))


def _extreme(points: Float, sign: float) -> Float:
    """Outermost y of every (x, z) row of points, on the dorsal (+1) or ventral (-1) side."""
    group = _rows_of(points[:, [0, 2]])
    outermost = np.full(group.max() + 1, -np.inf)
    np.maximum.at(outermost, group, sign * points[:, 1])
    return sign * outermost


def _rows_of(pairs_mm: Float) -> npt.NDArray[np.intp]:
    """(N,) array: the number of the row that each of (N, 2) lattice points lies in, both places alike to 0.001 mm.

    >>> _rows_of(np.array([[2.0, 5.0], [1.0, 5.0], [2.0, 5.0]])).tolist()
    [1, 0, 1]
    """
    # One number a pair: to tell pairs apart takes ten times as long.
    ranks = [np.unique(np.round(values, 3), return_inverse=True)[1].ravel() for values in pairs_mm.T]
    return np.asarray(np.unique(ranks[0] * (ranks[1].max() + 1) + ranks[1], return_inverse=True)[1].ravel())
