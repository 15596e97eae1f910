"""Lateral recess and foramen of each side.

Recess height and angle follow Steurer et al., BMC Musculoskelet Disord 2011;12:175 (figures 6 and 7): height from the
most ventral point of the superior articular process to the posterior vertebral border, angle between
the lines of floor and roof; in the plane of the pedicle's superior border (Ciric et al. 1980).
"""

from __future__ import annotations

import numpy as np

from canalwise.recon.anatomy import Measurement
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Mask, Side, label_of, sided
from canalwise.recon.level.axial_contour import border_mm, canal_contour, centroid_mm, evenly
from canalwise.recon.measurement.context import MeasurementContext
from canalwise.recon.measurement.kinds import measured

OUTLINE_STEP_MM = 0.25
"""Distance between outline points."""

LATERAL_FROM, LATERAL_TO = 0.6, 0.95
"""Shares of the half-width between which the recess lies; at its very end floor and roof meet."""

BEHIND_MM = 1.0
"""How far outside the canal's outline the bone that bounds it is read."""


def recess_measurements(scene: MeasurementContext) -> tuple[Measurement, ...]:
    """Recess height and angle, and foramen height, of both sides."""
    out: list[Measurement] = []
    for side in SIDES:
        height, angle = _recess(scene, side)
        source = f"canal {scene.canal_source}"
        out += measured("lateral recess height", height, source=source, side=side)
        out += measured("lateral recess angle", angle, source=source, side=side)
        above = scene.height_mm(f"upper_pedicle_lower_edge_{side}")
        below = scene.height_mm(f"lower_pedicle_upper_edge_{side}")
        if above is not None and below is not None:
            out += measured("foramen height", above - below, side=side)
    return tuple(out)


def _recess(scene: MeasurementContext, side: Side) -> tuple[float | None, float | None]:
    """(height_mm, angle_deg) of one side; None where the plane is not in view."""
    z = scene.height_mm(f"lower_pedicle_upper_edge_{side}")
    outline = None if z is None else canal_contour(scene.view, z)
    if outline is None or z is None:
        return None, None
    mirror = np.array([1.0 if side == "left" else -1.0, 1.0])
    folded = outline * mirror  # both sides are measured as a left one
    points = evenly(folded, OUTLINE_STEP_MM)
    share = points[:, 0] / points[:, 0].max()
    points = points[(share >= LATERAL_FROM) & (share <= LATERAL_TO)]
    floor = _is_floor(folded, points)
    roof = points[~floor]
    process = roof[_on_process(scene, side, roof * mirror, z)]
    if not len(process):
        process = roof[roof[:, 1] > centroid_mm(folded)[1]]
    return _height_mm(folded, process), _angle_deg(points[floor], roof)


def _is_floor(outline: Float, points: Float) -> Mask:
    """(N,) does each point lie on the outline's ventral border?"""
    borders = [border_mm(outline, float(x), "ventral") for x in points[:, 0]]
    return np.array(
        [low is not None and abs(y - low) < OUTLINE_STEP_MM for low, y in zip(borders, points[:, 1], strict=True)],
        dtype=bool,
    )


def _height_mm(outline: Float, process: Float) -> float | None:
    """From the most ventral point of the process straight ventral to the floor."""
    if not len(process):
        return None
    x, y = process[np.argmin(process[:, 1])]
    floor = border_mm(outline, float(x), "ventral")
    return None if floor is None else float(y) - floor


def _on_process(scene: MeasurementContext, side: Side, points: Float, z_mm: float) -> Mask:
    """(N,) which outline points have the lower vertebra's superior articular process just behind them."""
    behind = np.column_stack([points[:, 0], points[:, 1] + BEHIND_MM, np.full(len(points), z_mm)])
    return np.asarray(scene.view.label_at(behind) == label_of(scene.view.lower, sided("superior_articular", side)))


def _angle_deg(floor: Float, roof: Float) -> float | None:
    """Angle between the least-squares lines through floor and roof points; None with fewer than three of either."""
    if len(floor) < 3 or len(roof) < 3:
        return None
    slopes = [np.degrees(np.arctan(np.polyfit(points[:, 0], points[:, 1], 1)[0])) for points in (floor, roof)]
    return float(abs(slopes[1] - slopes[0]))
