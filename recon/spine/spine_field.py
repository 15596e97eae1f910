"""Canal coordinates of every voxel near the spine, computed from the canal's centreline and borders.

Method: coordinates are computed on a coarse lattice of points (position across the canal, depth behind the posterior
wall of the bodies, height along the canal) and interpolated linearly to the voxels: the canal bends little over 3 mm.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from canalwise.recon.canal.tube import CanalTube
from canalwise.recon.grid import Box, Float, Grid
from canalwise.recon.image.morphology import linear_on
from canalwise.recon.parallel import side_by_side
from canalwise.recon.spine.arch_view import borders_of
from canalwise.recon.spine.canal_coordinates import SpineField

SIDE_MM, VENTRAL_MM, DORSAL_MM = 66.0, 66.0, 80.0
"""How far from the canal a lumbar spine reaches: half the widest transverse span, a body, a spinous process."""


LATTICE_MM = 3.0
"""Coordinates are worked out on a lattice no wider than this and interpolated: the canal bends little over it."""


def spine_field(grid: Grid, tube: CanalTube) -> SpineField:
    """The field about a canal on a scan's grid."""
    box = field_box(grid, tube)
    part = grid.cropped(box)
    # The line's planes are worked out point by point, which is dear: few points, and straight lines between them.
    lattice = _lattice(part)
    coordinates = _coordinates(lattice.voxel_centres_mm(), tube)
    return SpineField(
        box, part, *side_by_side(lambda values: linear_on(part, values.astype(np.float32), lattice), coordinates)
    )


def along_canal_mm(part: Grid, tube: CanalTube) -> npt.NDArray[np.float32]:
    """(nx, ny, nz) array: the field's heights along the canal alone, on a grid cut from a scan's."""
    lattice = _lattice(part)
    station = tube.station_of(lattice.voxel_centres_mm())
    return linear_on(part, (station * tube.stations.step_mm).astype(np.float32), lattice)


def field_box(grid: Grid, tube: CanalTube) -> Box:
    """The index box of a scan that a lumbar spine about this canal can fill, over the scan's whole length."""
    line = tube.centreline_ras_mm
    reaches = ([SIDE_MM, 0, 0], [-SIDE_MM, 0, 0], [0, VENTRAL_MM, 0], [0, -DORSAL_MM, 0])
    i, j, _ = grid.box_around(np.concatenate([line + reach for reach in reaches]), 0.0)
    return i, j, slice(0, grid.shape[2])


def _lattice(grid: Grid) -> Grid:
    """A grid of every few voxels of another, to its far ends or past them."""
    steps = np.maximum(np.floor(LATTICE_MM / grid.spacing_mm), 1).astype(int)
    affine = grid.affine_ras_mm.copy()
    affine[:3, :3] *= steps
    i, j, k = (int(n) for n in -(-(np.array(grid.shape) - 1) // steps) + 1)
    return Grid((i, j, k), affine)


def _coordinates(points_mm: Float, tube: CanalTube) -> tuple[Float, Float, Float, Float, Float]:
    left, dorsal, station = np.moveaxis(tube.local_mm(points_mm), -1, 0)
    borders = borders_of(tube)
    rows = np.arange(len(borders.ventral_mm))
    ventral, roof, half_left, half_right = (
        np.interp(station, rows, b) for b in (borders.ventral_mm, borders.dorsal_mm, borders.left_mm, borders.right_mm)
    )
    beside = np.abs(left) - np.where(left >= 0, half_left, half_right)
    return left, dorsal - ventral, station * tube.stations.step_mm, beside, dorsal - roof
