"""A phantom after an operation: bone taken out of its noiseless CT, the patient laid down anew, another scanner."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.imaging.render import scan_of
from canalwise.phantoms.imaging.scanner import PhantomScan, Scanner, finished_scan
from canalwise.recon.grid import Float, Grid

SOFT_HU = 45.0
"""What fills the place of bone that was taken: muscle, scar or fluid (docs/published-values.md#ct-values)."""

SAMPLES = 3
"""Samples along each edge of a voxel at the border of what is taken."""

Taken = Callable[[Float], npt.NDArray[np.bool_]]


def operated_scan(spine: Spine, grid: Grid, to_spine: Float, taken: Taken, scanner: Scanner) -> PhantomScan:
    """A CT of a spine after some of its bone was taken.

    Parameters
    ----------
    grid : of the scan, in the scan's own world
    to_spine : (4, 4) array, RAS mm of the scan -> RAS mm of the spine: how the patient lies
    taken : (N, 3) places in the spine's world -> (N,) array, is what lies there taken?
    scanner : of this scan

    Labels are those of before the operation.
    """
    placed = Grid(grid.shape, to_spine @ grid.affine_ras_mm)
    still = scan_of(spine, placed, Scanner(scanner.seed, 0.0, 0.0, 0.0))
    share = taken_share(placed, taken)
    ct = still.ct_hu + share * (SOFT_HU - np.minimum(still.ct_hu, 3000))
    ct = np.where(still.ct_hu > SOFT_HU, ct, still.ct_hu).astype(np.float32)
    return replace(finished_scan(ct, still.mr.astype(np.float32), still.labels, grid, scanner), grid=grid)


def taken_share(grid: Grid, taken: Taken) -> npt.NDArray[np.float32]:
    """(nx, ny, nz) array: how much of each voxel is taken, slab by slab.

    >>> half = taken_share(Grid((3, 1, 1), np.eye(4)), lambda points: points[:, 0] < 1.0)
    >>> half.round(2).ravel().tolist()
    [1.0, 0.33, 0.0]
    """
    steps = (np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5
    offsets = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    offsets = offsets @ grid.affine_ras_mm[:3, :3].T
    share = np.zeros(grid.shape, dtype=np.float32)
    index = np.stack(np.meshgrid(*(np.arange(n) for n in grid.shape[1:]), indexing="ij"), axis=-1)
    for i in range(grid.shape[0]):
        layer = np.concatenate([np.full((*index.shape[:2], 1), i), index], axis=-1)
        centres = grid.world_mm(layer).reshape(-1, 3)
        inside = np.mean([taken(centres + offset) for offset in offsets], axis=0)
        share[i] = inside.reshape(grid.shape[1:])
    return share
