"""Clock positions in the view down the channel.

The picture is turned as the surgeon holds it: up (12 o'clock) is across the patient, away
from the surgeon, who stands on the side of the approach; the patient lies prone.
"""

from __future__ import annotations

import numpy as np

from estimator.approach import axis_level, other_side
from recon.anatomy import Level
from recon.grid import Float
from recon.labels import Side

DOCKING_ORDER = ("window centre", "upper lamina", "facet joint", "lower lamina")
"""What the instrument feels for in turn when it docks (common practice, no source)."""


def view_axes_level(side: Side, medial_tilt_deg: float, cranial_tilt_deg: float) -> tuple[Float, Float, Float]:
    """(forward, up, right) unit vectors of the view, in the level frame.

    Up is the direction across the patient made perpendicular to the line of view.
    """
    forward = axis_level(side, medial_tilt_deg, cranial_tilt_deg)
    across = np.array([1.0 if other_side(side) == "left" else -1.0, 0.0, 0.0])
    up = across - (across @ forward) * forward
    up /= np.linalg.norm(up)
    return forward, up, np.cross(forward, up)


def clock_hour(side: Side, tilts_deg: tuple[float, float], offset_level_mm: Float) -> float:
    """Hour (0 < hour <= 12) at which something offset from the view's centre is seen.

    Parameters
    ----------
    tilts_deg : (medial, cranial) of the view
    offset_level_mm : (3,) array, from the point looked at to the thing, level frame

    >>> clock_hour("right", (0.0, 0.0), np.array([0.0, 0.0, 5.0]))
    3.0
    """
    _, up, right = view_axes_level(side, *tilts_deg)
    hour = float(np.degrees(np.arctan2(offset_level_mm @ right, offset_level_mm @ up)) / 30.0 % 12.0)
    return hour or 12.0


def docking_clock(level: Level, side: Side, tilts_deg: tuple[float, float]) -> dict[str, float]:
    """Docking landmark -> clock hour about the window's centre, in DOCKING_ORDER; the centre itself reads 0."""
    centre = level.frame.to_level_mm(level.windows[side].centre_ras_mm)
    marks = {
        "upper lamina": "upper_lamina_caudal_edge",
        "facet joint": "facet_centre",
        "lower lamina": "lower_lamina_cranial_edge",
    }
    hours = {"window centre": 0.0}
    for name, landmark in marks.items():
        key = f"{landmark}_{side}"
        if key in level.landmarks_ras_mm:
            hours[name] = clock_hour(side, tilts_deg, level.frame.to_level_mm(level.landmarks_ras_mm[key]) - centre)
    return hours
