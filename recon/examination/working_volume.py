"""The isotropic volume that an MR, or a CT of thick slices, is worked on.

Slices of an MR are 3 to 5 mm thick and their pixels half a millimetre. All that follows asks for one grid on which a
short step means the same along every axis; how coarse the image was stays stated in the provenance, and intervals are
as wide as that deserves. On a CT's own voxels of 3 mm the canal, round and ten voxels wide, came out a tenth too small
at the pedicles: a mask of coarse voxels cuts corners, a network's answer on 1 mm does not.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import ndimage

from canalwise.recon.grid import Grid
from canalwise.recon.image.morphology import linear_on
from canalwise.recon.memory_budget import check_memory
from canalwise.recon.scan import ACQUIRED, Scan

WORK_MM = 0.8
"""Voxel edge: finer than the network's 1 mm, so that its borders are found within its voxels (choice)."""

LIKE_FRAC = 1.25
"""Voxels no longer than this times WORK_MM along every axis are kept as they are."""

CT_KEPT_MM, CT_WORK_MM = 1.5, 1.0
"""A CT with voxels no longer than the first is worked on as it is, one with longer ones on voxels of the second: those
of the network."""

SLAB = 32
"""Layers sampled at a time."""

TOL_MM = 1e-3
"""Slack, for spacings kept as single-precision numbers."""

ALIGNED_TOL = 1e-9
"""Voxels that an index moves aside for each along another axis, where two grids share their axes."""

CT_MOST_VOXELS = 150_000_000
"""A CT that would be larger on those voxels is kept as it is (choice: 0.3 GB)."""


def working_grid(grid: Grid, edge_mm: float = WORK_MM) -> Grid:
    """The isotropic grid over the same space with the same axes.

    >>> working_grid(Grid((10, 40, 40), np.diag([4.0, 1.0, 1.0, 1.0]))).shape
    (50, 50, 50)
    """
    return grid.isotropic(edge_mm)


def working_volume(scan: Scan) -> Scan:
    """A scan on isotropic voxels, linear between its own; one that is as fine already is returned as it is.

    Raises UnusableInput where the machine has not the memory for it.
    """
    calibrated = scan.kind.calibrated
    kept_mm, edge_mm = (CT_KEPT_MM, CT_WORK_MM) if calibrated else (LIKE_FRAC * WORK_MM, WORK_MM)
    if scan.grid.spacing_mm.max() <= kept_mm + TOL_MM:
        return scan
    grid = working_grid(scan.grid, edge_mm)
    if calibrated and np.prod(grid.shape) > CT_MOST_VOXELS:
        return scan
    check_memory(grid.shape, np.float32)
    values = on_grid(scan, grid)
    voxels = values.astype(np.int16) if calibrated and scan.voxels.dtype.kind == "i" else values
    return replace(scan, voxels=voxels, grid=grid, provenance={**scan.provenance, ACQUIRED: acquired_words(scan)})


def acquired_words(scan: Scan) -> str:
    """A scan's voxel edges as its provenance states them."""
    return " x ".join(f"{mm:.3f}" for mm in scan.acquired_mm)


def on_grid(
    scan: Scan, grid: Grid, outside: float | None = None
) -> np.ndarray[tuple[int, int, int], np.dtype[np.float32]]:
    """(grid's shape) float32 array: a scan's values, linear between voxels; `outside` beyond it, None for the nearest.

    Whole numbers stay whole, so that a case of them is small.
    """
    to_index = np.linalg.inv(scan.grid.affine_ras_mm) @ grid.affine_ras_mm
    whole = scan.voxels.dtype.kind in "iu"
    if outside is None and np.abs(to_index[:3, :3] - np.diag(np.diag(to_index[:3, :3]))).max() <= ALIGNED_TOL:
        # one axis after the other: several times faster
        between = linear_on(grid, scan.voxels.astype(np.float32), scan.grid)
        return np.rint(between, out=between) if whole else between
    out = np.empty(grid.shape, dtype=np.float32)
    for start in range(0, grid.shape[2], SLAB):
        # a slab at a time: the whole would be held several times over
        slab = out[:, :, start : start + SLAB]
        ndimage.affine_transform(
            scan.voxels,
            to_index[:3, :3],
            to_index[:3, :3] @ [0.0, 0.0, start] + to_index[:3, 3],
            slab.shape,
            output=slab,
            order=1,
            mode="nearest" if outside is None else "constant",
            cval=0.0 if outside is None else outside,
        )
        if whole:
            np.rint(slab, out=slab)
    return out
