"""Room for the nerve roots: round corridors from the sac's side to the pedicle, and into the foramen where required.

1. A traversing root leaves the sac at disc level and runs in the lateral recess, on the back of the vertebral body,
   along the medial wall of the lower pedicle to the end of the decompression.
2. Its corridor is a chain of straight tubes of one radius: half the height of a recess that is not narrow.
3. It lies on the ventral border of the canal and touches the medial wall of the pedicle.
4. With the foramen, a second chain follows the exiting root under the upper pedicle to the foramen's entrance.
"""

from __future__ import annotations

import numpy as np

from canalwise.estimator.decompression.room import RootCorridor, SacSection
from canalwise.estimator.decompression.stations import CanalStations
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side

BORDER_HALF_MM = 2.0
"""The canal's ventral border is read within this of a corridor's course, along and across."""


def recess_corridor(
    level: Level, side: Side, section: SacSection, stations: CanalStations, canal_mm: Float, radius_mm: float
) -> RootCorridor | None:
    """The traversing root's; None where the lower pedicle's medial wall is not in view.

    Parameters
    ----------
    canal_mm : (N, 3) array, level frame, every voxel of the bony canal near the level
    """
    wall = level.landmarks_ras_mm.get(f"lower_pedicle_medial_{side}")
    if wall is None:
        return None
    sign = 1.0 if side == "left" else -1.0
    wall_x, _, wall_z = level.frame.to_level_mm(wall)
    lateral = wall_x - sign * radius_mm
    start_x = section.lateral_mm(0.0, sign) - sign * radius_mm
    places = [(start_x, 0.0), (lateral, wall_z), (lateral, min(stations.caudal_mm, wall_z))]
    course = [_on_ventral_border(x, z, canal_mm, radius_mm) for x, z in places]
    return RootCorridor(side, "recess", np.array(course), radius_mm)


def foramen_corridor(
    level: Level, side: Side, canal_mm: Float, radius_mm: float, beyond_wall_mm: float
) -> RootCorridor | None:
    """The exiting root's, from under the upper pedicle to the foramen's entrance; None where a pedicle is missing.

    Parameters
    ----------
    canal_mm : (N, 3) array, level frame, every voxel of the bony canal near the level
    radius_mm : of the corridor
    beyond_wall_mm : how far lateral of the pedicle's medial wall it ends
    """
    marks = level.landmarks_ras_mm
    names = ("upper_pedicle_medial", "upper_pedicle_lower_edge", "lower_pedicle_upper_edge")
    found = [marks.get(f"{name}_{side}") for name in names]
    known = [level.frame.to_level_mm(mark) for mark in found if mark is not None]
    if len(known) < len(names):
        return None
    wall, upper, lower = known
    sign = 1.0 if side == "left" else -1.0
    entrance_z = float(upper[2] + lower[2]) / 2
    start = _on_ventral_border(wall[0] - sign * radius_mm, float(upper[2]), canal_mm, radius_mm)
    end = np.array([wall[0] + sign * beyond_wall_mm, start[1], entrance_z])
    return RootCorridor(side, "foramen", np.array([start, end]), radius_mm)


def _on_ventral_border(x_mm: float, z_mm: float, canal_mm: Float, radius_mm: float) -> Float:
    """(3,) array: the point one radius dorsal of the canal's ventral border near (x, z)."""
    near = np.hypot(canal_mm[:, 0] - x_mm, canal_mm[:, 2] - z_mm) <= BORDER_HALF_MM
    if not near.any():
        near = np.abs(canal_mm[:, 2] - z_mm) <= BORDER_HALF_MM
    ventral = float(canal_mm[near, 1].min()) if near.any() else float(canal_mm[:, 1].min())
    return np.array([x_mm, ventral + radius_mm, z_mm])
