"""A CT straightened along its canal, wide enough for ribs and sacral wings: where evidence for level names is read.

The planes across the canal are sampled on one lattice of `STEP_MM`, left by dorsal by along; beyond both ends of the
canal the last plane is carried straight on. Places outside the scan are marked as not in view, so that the scan's own
end is never taken for an end of the spine. Values come from a coarse copy of the whole scan: ribs and wings are many
millimetres thick, and what decides is their course, not their border.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.canal.tube import CanalTube
from canalwise.recon.canal.wall import Stations
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import Mask
from canalwise.recon.scan import Scan

STEP_MM = 2.0
"""Lattice step: a rib is 6 mm thick and more (common practice, no source)."""

HALF_WIDTH_MM, DORSAL_SPAN_MM = 112.0, (-70.0, 60.0)
"""How far sideways and from ventral to dorsal of the canal's middle the lattice reaches: twelfth ribs end about 90 mm
from the midline (common practice, no source)."""

BEYOND_MM = 40.0
"""How far the canal's line is carried on past either end: one vertebra and its disc (common practice, no source)."""

END_STATIONS = 12
"""The line is carried on in the mean direction of this many stations: the very last may bend into bone."""


@dataclass(frozen=True, eq=False)
class Straightened:
    """A CT in canal coordinates.

    Parameters
    ----------
    hu : (nx, ny, ns) float32 array, 0 where not in view
    in_view : (nx, ny, ns) bool array, does the scan hold the place?
    points_ras_mm : (nx, ny, ns, 3) float32 array of the places
    left_mm, dorsal_mm, along_mm : (nx,), (ny,), (ns,) arrays: left and dorsal of the canal's middle, and along it
        from its caudal station
    """

    hu: npt.NDArray[np.float32]
    in_view: Mask
    points_ras_mm: npt.NDArray[np.float32]
    left_mm: Float
    dorsal_mm: Float
    along_mm: Float

    def span(self, axis: Float, low: float, high: float) -> slice:
        """The slice of an axis between two heights, both included.

        Parameters
        ----------
        axis : (n,) array, rising, mm
        low, high : mm along it
        """
        index = np.flatnonzero((axis >= low) & (axis <= high))
        return slice(int(index[0]), int(index[-1]) + 1) if len(index) else slice(0, 0)

    def sampled(self, values: npt.NDArray[np.uint8], grid: Grid) -> npt.NDArray[np.uint8]:
        """(nx, ny, ns) array: nearest values of another (same world) grid, 0 outside it."""
        index = np.rint(grid.index_of(self.points_ras_mm)).astype(int)
        inside = np.asarray(((index >= 0) & (index < grid.shape)).all(axis=-1))
        i, j, k = np.moveaxis(np.where(inside[..., None], index, 0), -1, 0)
        return np.where(inside, values[i, j, k], 0).astype(np.uint8)


def straightened(wide: Scan, tube: CanalTube) -> Straightened:
    """A CT straightened along a canal.

    Parameters
    ----------
    wide : the whole scan, best a coarse copy (`recon.spine.region_of_interest.coarse`)
    tube : the canal, in the same world
    """
    line, along_mm = _carried_on(tube.stations)
    left_mm = np.arange(-HALF_WIDTH_MM, HALF_WIDTH_MM + STEP_MM / 2, STEP_MM)
    dorsal_mm = np.arange(DORSAL_SPAN_MM[0], DORSAL_SPAN_MM[1] + STEP_MM / 2, STEP_MM)
    left, dorsal = line.axes_ras[:, 0], line.axes_ras[:, 1]
    points = (line.centre_ras_mm + left_mm[:, None, None, None] * left + dorsal_mm[:, None, None] * dorsal).astype(
        np.float32
    )
    index = np.moveaxis(wide.grid.index_of(points), -1, 0)
    top = np.array(wide.grid.shape)[:, None, None, None] - 0.5
    in_view = np.asarray(((index >= -0.5) & (index <= top)).all(axis=0))
    hu = ndimage.map_coordinates(np.asarray(wide.voxels, dtype=np.float32), index, order=1, mode="nearest")
    return Straightened(np.where(in_view, hu, np.float32(0.0)), in_view, points, left_mm, dorsal_mm, along_mm)


def _carried_on(stations: Stations) -> tuple[Stations, Float]:
    """Planes STEP_MM apart over the canal and BEYOND_MM past both ends, and their heights along it."""
    step, count = stations.step_mm, len(stations.centre_ras_mm)
    along = np.arange(-BEYOND_MM, (count - 1) * step + BEYOND_MM, STEP_MM)
    place = np.clip(along / step, 0, count - 1)
    rows = np.arange(count, dtype=float)
    centre = np.stack([np.interp(place, rows, stations.centre_ras_mm[:, axis]) for axis in range(3)], axis=1)
    near = max(min(END_STATIONS, count - 1), 1)
    for beyond, ends in (
        (np.minimum(along, 0.0), slice(0, near)),
        (np.maximum(along - (count - 1) * step, 0.0), slice(count - near, count)),
    ):
        tangent = stations.axes_ras[ends, 2].mean(axis=0)
        centre += beyond[:, None] * tangent / np.linalg.norm(tangent)
    axes = stations.axes_ras[np.rint(np.clip(place, near, max(count - 1 - near, near))).astype(int).clip(0, count - 1)]
    return Stations(centre, axes), along
