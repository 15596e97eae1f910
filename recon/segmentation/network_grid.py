"""The grid of 1 mm voxels that the network was trained on, and a scan as the network takes it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.grid import Float, Grid
from canalwise.recon.scan import Scan

RANGE_HU, SCALE_HU = (-200.0, 1300.0), 500.0
"""Values of a CT are limited to this range before they are resampled, and divided by this, as in training."""

PERCENTILES, SCALED_RANGE, SCALED_GAIN = (1.0, 99.0), (-0.2, 1.8), 2.0
"""What becomes 0 and 1 in any other scan, where such values are clipped, and their gain, as in training."""

GRAIN_MM = 1.0
"""Voxel edge the network was trained at."""


BLUR_FRAC = 0.5
"""Deviation of the blur against aliasing, per what the voxel edge grows by (root of the squares' difference)."""


def grain_grid(grid: Grid) -> Grid:
    """The grid of GRAIN_MM over the same space with the same axes.

    >>> grain_grid(Grid((4, 4, 2), np.diag([0.5, 0.5, 2.0, 1.0]))).shape
    (2, 2, 4)
    """
    return grid.isotropic(GRAIN_MM)


def network_input(scan: Scan, grid: Grid) -> npt.NDArray[np.float32]:
    """(grid's shape) array: a scan as the network takes it.

    >>> block = Grid((2, 2, 2), np.eye(4))
    >>> network_input(Scan(np.full((2, 2, 2), 400, np.int16), block, "CT"), block)[0, 0].tolist()
    [0.800000011920929, 0.800000011920929]
    """
    if scan.kind.calibrated:
        return np.asarray(resampled(scan, grid) / SCALE_HU)
    value = resampled(scan, grid, None)
    low, high = np.percentile(scan.voxels, PERCENTILES)
    return np.clip((value - low) / max(high - low, 1e-6), *SCALED_RANGE).astype(np.float32) * np.float32(SCALED_GAIN)


def resampled(scan: Scan, grid: Grid, span: tuple[float, float] | None = RANGE_HU) -> npt.NDArray[np.float32]:
    """(grid's shape) array: a scan's values on a grid with the same axes, blurred first where voxels grow.

    They are limited to `span` before that; None leaves them as they are.

    >>> even = Scan(np.full((4, 4, 4), 50, dtype=np.int16), Grid((4, 4, 4), np.eye(4)), "CT")
    >>> np.unique(resampled(even, Grid((2, 2, 2), np.diag([2.0, 2.0, 2.0, 1.0])))).tolist()
    [50.0]
    """
    ratio: Float = grid.spacing_mm / scan.grid.spacing_mm
    value = (scan.voxels if span is None else np.clip(scan.voxels, *span)).astype(np.float32)
    value = ndimage.gaussian_filter(value, BLUR_FRAC * np.sqrt(np.maximum(ratio**2 - 1.0, 0.0)))
    offset = scan.grid.index_of(grid.world_mm([0, 0, 0]))
    return np.asarray(ndimage.affine_transform(value, ratio, offset, grid.shape, order=1, mode="nearest"))
