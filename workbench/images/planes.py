"""Flat cuts through the patient along the level frame, resampled from any voxel grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates

from canalwise.recon.anatomy import Frame
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float, Grid

DIRECTIONS = {
    "axial": ((-1.0, 0.0, 0.0), (0.0, 1.0, 0.0)),
    "sagittal": ((0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    "coronal": ((-1.0, 0.0, 0.0), (0.0, 0.0, 1.0)),
}
"""Page directions (to the right, upward) of each kind of cut, in the level frame.

Axial: dorsal up, seen from the feet, as the patient lies prone in theatre: the patient's left is on the left.
Coronal: seen from dorsal, head up: again left on the left. Sagittal: head up, dorsal to the right.
"""


@dataclass(frozen=True)
class PlaneCut:
    """A rectangle in the level frame on which to sample.

    Parameters
    ----------
    kind : 'axial', 'sagittal' or 'coronal'
    centre_level_mm : the rectangle's centre (left, dorsal, cranial)
    width_mm, height_mm : of the rectangle on the page
    pixel_mm : distance between samples
    cranial_tilt_deg : turn about the left-right axis, so that an axial cut runs along a channel tilted by as much
    """

    kind: str
    centre_level_mm: tuple[float, float, float]
    width_mm: float = 90.0
    height_mm: float = 90.0
    pixel_mm: float = 0.4
    cranial_tilt_deg: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in DIRECTIONS:
            raise WrongUse("'kind'", f"must be one of {', '.join(DIRECTIONS)}", got=self.kind)

    @property
    def directions(self) -> Float:
        """(2, 3) array: unit directions of the page (to the right, upward) in the level frame.

        >>> PlaneCut("axial", (0, 0, 0), cranial_tilt_deg=90.0).directions.round(6).tolist()
        [[-1.0, 0.0, 0.0], [0.0, 0.0, -1.0]]
        """
        cos, sin = np.cos(np.radians(self.cranial_tilt_deg)), np.sin(np.radians(self.cranial_tilt_deg))
        return np.array(DIRECTIONS[self.kind]) @ np.array([[1.0, 0, 0], [0, cos, -sin], [0, sin, cos]])

    @property
    def steps_mm(self) -> tuple[Float, Float]:
        """Page coordinates of the samples' columns and rows, mm from the centre, both ascending.

        >>> [len(v) for v in PlaneCut("axial", (0, 0, 0), 4.0, 2.0, 1.0).steps_mm]
        [5, 3]
        """
        counts = [round(length / self.pixel_mm) for length in (self.width_mm, self.height_mm)]
        columns, rows = (np.asarray((np.arange(n + 1) - n / 2) * self.pixel_mm, dtype=float) for n in counts)
        return columns, rows

    def level_mm(self) -> Float:
        """(rows, columns, 3) array of level coordinates of the samples."""
        right, up = self.directions
        columns, rows = self.steps_mm
        return np.array(self.centre_level_mm) + columns[None, :, None] * right + rows[:, None, None] * up

    def on_page_mm(self, level_mm: npt.ArrayLike) -> Float:
        """(..., 2) array: page coordinates (right, up), mm from the centre, of level points.

        >>> PlaneCut("axial", (0.0, 0.0, 0.0)).on_page_mm([3.0, 2.0, 9.0]).tolist()
        [-3.0, 2.0]
        """
        return np.asarray((np.asarray(level_mm, dtype=float) - np.array(self.centre_level_mm)) @ self.directions.T)


def sampled(volume: npt.NDArray[np.generic], grid: Grid, world_mm: Float, outside: float = 0.0) -> Float:
    """(...,) array: trilinear values of a volume at RAS points; `outside` beyond the grid.

    >>> grid = Grid((2, 2, 2), np.eye(4))
    >>> sampled(np.arange(8.0).reshape(2, 2, 2), grid, np.array([[0.5, 0.0, 0.0], [9.0, 9.0, 9.0]]), -1.0).tolist()
    [2.0, -1.0]
    """
    index = np.moveaxis(grid.index_of(world_mm), -1, 0)
    # only the box the points lie in is turned into floats: a slice of a large scan stays cheap
    low = np.clip(np.floor(index.reshape(3, -1).min(axis=1)) - 1, 0, np.array(grid.shape) - 1).astype(int)
    high = np.clip(np.ceil(index.reshape(3, -1).max(axis=1)) + 2, low + 1, grid.shape).astype(int)
    part = volume[tuple(slice(a, b) for a, b in zip(low, high, strict=True))].astype(np.float32)
    shifted = index - low.reshape(3, *[1] * (index.ndim - 1))
    return np.asarray(map_coordinates(part, shifted, order=1, mode="constant", cval=outside), dtype=float)


def cut_of(volume: npt.NDArray[np.generic], grid: Grid, cut: PlaneCut, frame: Frame, outside: float = 0.0) -> Float:
    """(rows, columns) array: the volume on the cut, first row at the bottom of the page."""
    return sampled(volume, grid, frame.to_world_mm(cut.level_mm()), outside)
