"""The grid of 1 mm voxels that the network was trained on, and a scan resampled to it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.grid import Float, Grid
from canalwise.recon.scan import Scan

RANGE_HU = (-200.0, 1300.0)
"""Values are limited to this range before they are resampled, as in training."""

GRAIN_MM = 1.0
"""Voxel edge the network was trained at."""


BLUR_FRAC = 0.5
"""Deviation of the blur against aliasing, per what the voxel edge grows by (root of the squares' difference)."""


def grain_grid(grid: Grid) -> Grid:
    """The grid of GRAIN_MM over the same space with the same axes.

    >>> grain_grid(Grid((4, 4, 2), np.diag([0.5, 0.5, 2.0, 1.0]))).shape
    (2, 2, 4)
    """
    ratio = GRAIN_MM / grid.spacing_mm
    affine = grid.affine_ras_mm.copy()
    affine[:3, :3] *= ratio
    affine[:3, 3] = grid.world_mm((ratio - 1) / 2)
    i, j, k = (max(int(n), 1) for n in np.rint(np.array(grid.shape) / ratio))
    return Grid((i, j, k), affine)


def resampled(scan: Scan, grid: Grid) -> npt.NDArray[np.float32]:
    """(grid's shape) array: a scan's values on a grid with the same axes, blurred first where voxels grow."""
    ratio: Float = grid.spacing_mm / scan.grid.spacing_mm
    value = np.clip(scan.voxels, *RANGE_HU).astype(np.float32)
    value = ndimage.gaussian_filter(value, BLUR_FRAC * np.sqrt(np.maximum(ratio**2 - 1.0, 0.0)))
    offset = scan.grid.index_of(grid.world_mm([0, 0, 0]))
    return np.asarray(ndimage.affine_transform(value, ratio, offset, grid.shape, order=1, mode="nearest"))
