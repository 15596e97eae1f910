"""Where along the spine a level is decompressed: stations 1 mm apart, cranial to caudal insertion of the ligament.

1. The pedicles of both vertebrae bound the search: the ligament of a neighbouring level lies beyond them.
2. The ligament's cross-section is summed in slabs of 1 mm across the level's axis.
3. From its largest slab outward, an insertion is where the section first falls below a share of the largest, or,
   where the ligaments of two levels run into each other in the labels, where it is least.
4. Each station is a slab of exactly 1 mm. A voxel is shared out among the slabs it reaches into by its extent along
   the axis, so areas summed over the stations are volumes: nothing is lost or counted twice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.recon.anatomy import Level
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import SIDES

STATION_MM = 1.0
"""Distance between stations, and the thickness of a slab (design)."""

INSERTION_FRAC = 0.15
"""The ligament is taken to end where its section falls below this share of its largest (choice)."""

PEDICLE_REACH_MM = 12.0
"""Half of the highest pedicles, 20 mm, and a little more: how far past a pedicle's edge its vertebra is looked at."""


@dataclass(frozen=True, eq=False)
class CanalStations:
    """Slabs across the level's axis.

    Parameters
    ----------
    z_mm : (S,) array, middles of the slabs in the level frame, cranial first, STATION_MM apart
    """

    z_mm: Float

    @property
    def cranial_mm(self) -> float:
        """Level z of the cranial end of the first slab.

        >>> CanalStations(np.array([1.0, 0.0, -1.0])).cranial_mm
        1.5
        """
        return float(self.z_mm[0]) + STATION_MM / 2

    @property
    def caudal_mm(self) -> float:
        """Level z of the caudal end of the last.

        >>> CanalStations(np.array([1.0, 0.0, -1.0])).caudal_mm
        -1.5
        """
        return float(self.z_mm[-1]) - STATION_MM / 2

    @property
    def at_disc(self) -> int:
        """The station nearest the disc's mid-plane.

        >>> CanalStations(np.array([1.6, 0.6, -0.4, -1.4])).at_disc
        2
        """
        return int(np.abs(self.z_mm).argmin())

    def sums(self, z_mm: Float, half_height_mm: float, amount: Float) -> Float:
        """(S,) array: amounts of voxels shared out among the slabs.

        Parameters
        ----------
        z_mm, amount : (N,) arrays, level z of each voxel's centre and what it holds
        half_height_mm : of a voxel along the level's axis

        >>> CanalStations(np.array([0.5, -0.5])).sums(np.array([0.0, 0.5]), 0.5, np.array([2.0, 1.0])).tolist()
        [2.0, 1.0]
        """
        return np.asarray(self.shares(z_mm, half_height_mm) @ amount)

    def shares(self, z_mm: Float, half_height_mm: float) -> Float:
        """(S, N) array: how much of each voxel, given as for `sums`, lies in each slab.

        >>> CanalStations(np.array([0.5, -0.5])).shares(np.array([0.0, 0.5]), 0.5).tolist()
        [[0.5, 1.0], [0.5, 0.0]]
        """
        low, high = z_mm - half_height_mm, z_mm + half_height_mm
        ends = self.z_mm[:, None] + STATION_MM / 2, self.z_mm[:, None] - STATION_MM / 2
        overlap = np.minimum(high, ends[0]) - np.maximum(low, ends[1])
        return np.maximum(overlap, 0.0) / (2 * half_height_mm)

    def share_within(self, z_mm: Float, half_height_mm: float) -> Float:
        """(N,) array: how much of each voxel's height lies between both insertions.

        A voxel of 2 mm whose middle lies on the last end is half within.

        >>> CanalStations(np.array([1.0, 0.0, -1.0])).share_within(np.array([0.0, -1.5, 9.0]), 1.0).tolist()
        [1.0, 0.5, 0.0]
        """
        overlap = np.minimum(z_mm + half_height_mm, self.cranial_mm) - np.maximum(z_mm - half_height_mm, self.caudal_mm)
        return np.asarray(np.clip(overlap / (2 * half_height_mm), 0.0, 1.0))


def half_height_mm(grid: Grid, level: Level) -> float:
    """Half the extent of a voxel along the level's axis: that of a box of the same second moment."""
    along = level.frame.axes_ras[2] @ grid.affine_ras_mm[:3, :3]
    return float(np.sqrt((along**2).sum()) / 2)


def stations_of(level: Level, ligament_z_mm: Float) -> CanalStations:
    """The stations of a level.

    Parameters
    ----------
    ligament_z_mm : (N,) array, level z of every ligament voxel, neighbours' included

    Raises
    ------
    AnatomyNotFound : no ligament between the pedicles
    """
    low, high = pedicle_span_mm(level)
    edges = np.arange(np.floor(low), np.ceil(high) + 1.0)
    section, _ = np.histogram(ligament_z_mm, edges)
    if not section.any():
        raise AnatomyNotFound(
            f"ligamentum flavum of {level.name}",
            "must be labelled or modelled between the pedicles to say what is to be freed",
            do="Build the case again with a label map that holds it.",
        )
    near = np.where(np.abs(edges[:-1] + 0.5) <= PEDICLE_REACH_MM, section, 0)
    largest = int(near.argmax()) if near.any() else int(section.argmax())
    threshold = INSERTION_FRAC * float(section[largest])
    up = _insertion(section[largest:], threshold)
    down = _insertion(section[largest::-1], threshold)
    count = up + down + 1
    return CanalStations(edges[largest] + up + 0.5 - np.arange(count) * STATION_MM)


def pedicle_span_mm(level: Level) -> tuple[float, float]:
    """(caudal, cranial) level z within which a level's own ligament lies: middles of the lower and upper pedicles."""
    lower = _heights(level, "lower_pedicle_medial") or [-PEDICLE_REACH_MM]
    upper = _heights(level, "upper_pedicle_medial") or [PEDICLE_REACH_MM]
    return float(np.mean(lower)) - PEDICLE_REACH_MM / 2, float(np.mean(upper)) + PEDICLE_REACH_MM / 2


def _heights(level: Level, name: str) -> list[float]:
    marks = level.landmarks_ras_mm
    found = [marks[f"{name}_{side}"] for side in SIDES if f"{name}_{side}" in marks]
    return [float(level.frame.to_level_mm(mark)[2]) for mark in found]


def _insertion(outward: Float, threshold: float) -> int:
    """Index of the last slab that still belongs to the ligament, going outward from its largest."""
    below = np.flatnonzero(outward < threshold)
    return int(below[0]) - 1 if len(below) else int(outward.argmin())
