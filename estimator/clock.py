"""Clock positions in the view down the channel.

The picture is turned as the surgeon holds it: up (12 o'clock) is across the patient, away
from the surgeon, who stands on the side of the approach; the patient lies prone.
"""

from __future__ import annotations

import numpy as np

from estimator.approach import axis_level, other_side
from estimator.gate import gate_in_view
from recon.anatomy import Anatomy, Level
from recon.grid import Float
from recon.labels import Side, label_of, sided

DOCKING_ORDER = ("window centre", "upper lamina", "facet joint", "lower lamina")
"""What the instrument feels for in turn when it docks (common practice, no source)."""

VIEW_MM = 12.0
"""Half the width of what is looked at when docking: the window and the bone that rims it."""


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


def docking_clock(anatomy: Anatomy, level: Level, side: Side, tilts_deg: tuple[float, float]) -> dict[str, float]:
    """Docking landmark -> clock hour about the window's centre, in DOCKING_ORDER; the centre itself reads 0.

    A landmark's hour is that of the mean of its bone within VIEW_MM of the line of view;
    one that shows no bone there is left out.
    """
    axis = axis_level(side, *tilts_deg)
    centre = gate_in_view(level, side).centre_mm
    hours = {DOCKING_ORDER[0]: 0.0}
    for name, labels in _docking_bones(level, side).items():
        offset = _bone_mm(anatomy, level, labels, centre) - centre
        across = offset - (offset @ axis)[:, None] * axis
        seen = across[np.linalg.norm(across, axis=1) <= VIEW_MM]
        if len(seen):
            hours[name] = clock_hour(side, tilts_deg, seen.mean(axis=0))
    return hours


def _docking_bones(level: Level, side: Side) -> dict[str, list[int]]:
    joint = [
        label_of(level.upper, sided("inferior_articular", side)),
        label_of(level.lower, sided("superior_articular", side)),
    ]
    laminae = [[label_of(vertebra, sided("lamina", side))] for vertebra in (level.upper, level.lower)]
    return dict(zip(DOCKING_ORDER[1:], (laminae[0], joint, laminae[1]), strict=True))


def _bone_mm(anatomy: Anatomy, level: Level, labels: list[int], centre_mm: Float) -> Float:
    """(N, 3) array, level frame: voxel centres of some labels within 2 VIEW_MM of a point along the grid's axes."""
    box = anatomy.grid.box_around(level.frame.to_world_mm(centre_mm)[None], 2 * VIEW_MM)
    index = np.argwhere(np.isin(anatomy.labels[box], labels))
    return level.frame.to_level_mm(anatomy.grid.cropped(box).world_mm(index))
