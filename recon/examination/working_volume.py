"""The isotropic volume that an MR is worked on, whatever its slices.

Slices of an MR are 3 to 5 mm thick and their pixels half a millimetre. All that follows asks for one grid on which a
short step means the same along every axis; how coarse the image was stays told in the provenance, and intervals are
as wide as that deserves.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import ndimage

from canalwise.recon.grid import Grid
from canalwise.recon.memory_budget import check_memory
from canalwise.recon.scan import ACQUIRED, Scan

WORK_MM = 0.8
"""Voxel edge: finer than the network's 1 mm, so that its borders are told within its voxels (choice)."""

LIKE_FRAC = 1.25
"""Voxels no longer than this times WORK_MM along every axis are kept as they are."""


def working_grid(grid: Grid, edge_mm: float = WORK_MM) -> Grid:
    """The isotropic grid over the same space with the same axes.

    >>> working_grid(Grid((10, 40, 40), np.diag([4.0, 1.0, 1.0, 1.0]))).shape
    (50, 50, 50)
    """
    return grid.isotropic(edge_mm)


def working_volume(scan: Scan) -> Scan:
    """An MR on voxels of WORK_MM, linear between its own; one that is as fine already, or a CT, is returned as it is.

    Raises UnusableInput where the machine has not the memory for it.
    """
    if scan.kind.calibrated or scan.grid.spacing_mm.max() <= LIKE_FRAC * WORK_MM:
        return scan
    grid = working_grid(scan.grid)
    check_memory(grid.shape, np.float32)
    return replace(scan, voxels=on_grid(scan, grid), grid=grid, provenance={**scan.provenance, ACQUIRED: told(scan)})


def told(scan: Scan) -> str:
    """A scan's voxel edges as its provenance tells them."""
    return " x ".join(f"{mm:.3f}" for mm in scan.acquired_mm)


def on_grid(
    scan: Scan, grid: Grid, outside: float | None = None
) -> np.ndarray[tuple[int, int, int], np.dtype[np.float32]]:
    """(grid's shape) float32 array: a scan's values, linear between voxels; `outside` beyond it, None for the nearest.

    Whole numbers stay whole, so that a case of them is small.
    """
    to_index = np.linalg.inv(scan.grid.affine_ras_mm) @ grid.affine_ras_mm
    value = ndimage.affine_transform(
        scan.voxels.astype(np.float32),
        to_index[:3, :3],
        to_index[:3, 3],
        grid.shape,
        order=1,
        mode="nearest" if outside is None else "constant",
        cval=0.0 if outside is None else outside,
    )
    return np.asarray(np.rint(value) if scan.voxels.dtype.kind in "iu" else value, dtype=np.float32)
