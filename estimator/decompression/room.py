"""The room needed as a value."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from canalwise.estimator.decompression.stations import CanalStations
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side

Breadth = Literal["central", "with recesses", "with foramen"]
"""How much of the canal is to be freed."""

SECTORS = 36
"""Sectors of 10 degrees: some twenty samples each on a sac of 160 mm2 in 0.8 mm voxels."""


def distance_to_segment_mm(points_mm: Float, start_mm: Float, end_mm: Float) -> Float:
    """(N,) array: distances of (N, 3) points from a straight piece.

    >>> distance_to_segment_mm(np.array([[0.0, 3.0, 4.0]]), np.zeros(3), np.array([9.0, 0.0, 0.0])).tolist()
    [5.0]
    """
    direction = end_mm - start_mm
    along = np.clip((points_mm - start_mm) @ direction / max(float(direction @ direction), 1e-12), 0.0, 1.0)
    return np.asarray(np.linalg.norm(points_mm - start_mm - along[:, None] * direction, axis=1))


@dataclass(frozen=True, eq=False)
class SacSection:
    """Sections over the level's axis.

    Parameters
    ----------
    z_mm : (K,) array, ascending level z at which sections are known
    centre_mm : (K, 2) array, x and y of each one's centroid
    squared_mm2 : (K, SECTORS) array, squared radius at the middles of the sectors, counted from +x toward +y
    source : 'own' or 'published'
    """

    z_mm: Float
    centre_mm: Float
    squared_mm2: Float
    source: str

    def centres_at(self, z_mm: Float) -> Float:
        """(N, 2) array: centroids at level z, straight between those known and constant beyond them.

        >>> sac = SacSection(np.array([0.0, 4.0]), np.array([[0.0, 0.0], [2.0, 4.0]]), np.ones((2, SECTORS)), "own")
        >>> sac.centres_at(np.array([1.0, 9.0])).tolist()
        [[0.5, 1.0], [2.0, 4.0]]
        """
        return np.stack([np.interp(z_mm, self.z_mm, self.centre_mm[:, axis]) for axis in (0, 1)], axis=-1)

    def radius_mm(self, z_mm: Float, angle_rad: Float) -> Float:
        """(N,) array: radii at (N,) level z and angles about the centroid.

        >>> sac = SacSection(np.array([-5.0, 5.0]), np.zeros((2, 2)), np.full((2, SECTORS), 49.0), "own")
        >>> sac.radius_mm(np.array([0.0, 9.0]), np.array([0.0, 1.0])).tolist()
        [7.0, 7.0]
        """
        place = np.mod(angle_rad, 2 * np.pi) / (2 * np.pi) * SECTORS - 0.5
        first = np.floor(place).astype(int)
        part = place - first
        share = np.interp(z_mm, self.z_mm, np.arange(len(self.z_mm)))
        below = np.minimum(share.astype(int), len(self.z_mm) - 1)
        above = np.minimum(below + 1, len(self.z_mm) - 1)
        up = share - below
        left, right = first % SECTORS, (first + 1) % SECTORS
        squared = (1 - up) * ((1 - part) * self.squared_mm2[below, left] + part * self.squared_mm2[below, right])
        squared += up * ((1 - part) * self.squared_mm2[above, left] + part * self.squared_mm2[above, right])
        return np.sqrt(squared)

    def depth_mm(self, points_mm: Float) -> Float:
        """(N,) array: how far inside the section each (N, 3) point of the level frame lies, negative outside.

        >>> sac = SacSection(np.array([-5.0, 5.0]), np.zeros((2, 2)), np.full((2, SECTORS), 49.0), "own")
        >>> sac.depth_mm(np.array([[0.0, 4.0, 0.0], [10.0, 0.0, 2.0]])).tolist()
        [3.0, -3.0]
        """
        offset = points_mm[:, :2] - self.centres_at(points_mm[:, 2])
        radius = self.radius_mm(points_mm[:, 2], np.arctan2(offset[:, 1], offset[:, 0]))
        return np.asarray(radius - np.hypot(offset[:, 0], offset[:, 1]))

    def area_mm2(self, z_mm: Float) -> Float:
        """(S,) array: area of the section at each level z.

        >>> sac = SacSection(np.array([-5.0, 5.0]), np.zeros((2, 2)), np.full((2, SECTORS), 49.0), "own")
        >>> sac.area_mm2(np.array([0.0])).round(1).tolist()
        [153.9]
        """
        mean = self.squared_mm2.mean(axis=1)
        return np.asarray(np.pi * np.interp(z_mm, self.z_mm, mean))

    def lateral_mm(self, z_mm: float, sign: float) -> float:
        """Level x of the section's border straight lateral of its centroid, toward +x or -x.

        >>> sac = SacSection(np.array([-5.0, 5.0]), np.zeros((2, 2)), np.full((2, SECTORS), 49.0), "own")
        >>> sac.lateral_mm(0.0, 1.0), sac.lateral_mm(0.0, -1.0)
        (7.0, -7.0)
        """
        z = np.array([z_mm])
        radius = self.radius_mm(z, np.array([0.0 if sign > 0 else np.pi]))
        return float(self.centres_at(z)[0, 0] + sign * radius[0])


@dataclass(frozen=True, eq=False)
class RootCorridor:
    """One root's corridor: a tube of one radius about a chain of points.

    Parameters
    ----------
    side : of the patient
    kind : 'recess' or 'foramen'
    course_mm : (K, 3) array, level frame
    radius_mm : of the tube
    """

    side: Side
    kind: str
    course_mm: Float
    radius_mm: float

    def depth_mm(self, points_mm: Float) -> Float:
        """(N,) array: how far inside each (N, 3) point of the level frame lies, negative outside.

        >>> corridor = RootCorridor("left", "recess", np.array([[0.0, 0, 5], [0, 0, -5]]), 3.0)
        >>> corridor.depth_mm(np.array([[0.0, 1, 0], [5.0, 0, 0]])).tolist()
        [2.0, -2.0]
        """
        pieces = zip(self.course_mm, self.course_mm[1:], strict=False)
        return self.radius_mm - np.min([distance_to_segment_mm(points_mm, a, b) for a, b in pieces], axis=0)


@dataclass(frozen=True, eq=False)
class RoomNeeded:
    """The room of one breadth.

    Parameters
    ----------
    breadth : how much is to be freed
    stations : the slabs it is divided into
    section : of the sac, unpressed
    corridors : of the roots
    voxels : (N,) array, flat indices into the level bone's arrays, of voxels at least partly in the room
    share : (N,) array, how much of each
    zone : (N,) array, CENTRAL, RECESS or FORAMEN
    level_mm : (N, 3) array, their centres in the level frame
    """

    breadth: Breadth
    stations: CanalStations
    section: SacSection
    corridors: tuple[RootCorridor, ...]
    voxels: npt.NDArray[np.intp]
    share: Float
    zone: npt.NDArray[np.uint8]
    level_mm: Float
