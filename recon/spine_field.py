"""Every voxel near the spine in canal coordinates: where bodies, discs, pedicles and arches are looked for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from recon.canal import CanalTube
from recon.grid import Box, Float, Grid
from recon.parts_view import borders_of

Float32 = npt.NDArray[np.float32]

SIDE_MM, VENTRAL_MM, DORSAL_MM = 66.0, 66.0, 80.0
"""How far from the canal a lumbar spine reaches: half the widest transverse span, a body, a spinous process."""

SLAB = 8
"""Slices whose coordinates are worked out at a time; bounds memory."""


@dataclass(frozen=True, eq=False)
class SpineField:
    """Voxels of a box about the canal, in mm.

    Parameters
    ----------
    box : in the scan
    grid : of the box
    left_mm : (nx, ny, nz) array, left of the canal's centreline
    back_mm : (nx, ny, nz) array, dorsal of the canal's ventral border (the posterior wall of the bodies)
    along_mm : (nx, ny, nz) array, along the canal from its caudal end
    beside_mm : (nx, ny, nz) array, lateral of the canal's own half-width, negative medially
    behind_mm : (nx, ny, nz) array, dorsal of the canal's dorsal border
    """

    box: Box
    grid: Grid
    left_mm: Float32
    back_mm: Float32
    along_mm: Float32
    beside_mm: Float32
    behind_mm: Float32


def spine_field(grid: Grid, tube: CanalTube) -> SpineField:
    """The field about a canal on a scan's grid."""
    line = tube.centreline_ras_mm
    reaches = ([SIDE_MM, 0, 0], [-SIDE_MM, 0, 0], [0, VENTRAL_MM, 0], [0, -DORSAL_MM, 0])
    corners = np.concatenate([line + reach for reach in reaches])
    found = grid.box_around(corners, 0.0)
    box = (found[0], found[1], slice(0, grid.shape[2]))
    part = grid.cropped(box)
    arrays = [np.empty(part.shape, dtype=np.float32) for _ in range(5)]
    for start in range(0, part.shape[2], SLAB):
        slab = (slice(0, part.shape[0]), slice(0, part.shape[1]), slice(start, min(start + SLAB, part.shape[2])))
        for array, values in zip(arrays, _coordinates(part.cropped(slab).voxel_centres_mm(), tube), strict=True):
            array[slab] = values
    return SpineField(box, part, *arrays)


def _coordinates(points_mm: Float, tube: CanalTube) -> tuple[Float, Float, Float, Float, Float]:
    left, dorsal, station = np.moveaxis(tube.local_mm(points_mm), -1, 0)
    borders = borders_of(tube)
    rows = np.arange(len(borders.ventral_mm))
    ventral, roof, half_left, half_right = (np.interp(station, rows, b) for b in (
        borders.ventral_mm, borders.dorsal_mm, borders.left_mm, borders.right_mm))
    beside = np.abs(left) - np.where(left >= 0, half_left, half_right)
    return left, dorsal - ventral, station * tube.stations.step_mm, beside, dorsal - roof
