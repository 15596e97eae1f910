"""Bone taken out of a CT: what an operation leaves, for pairs of scans before and after."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from canalwise.recon.grid import Float, Grid

SOFT_HU = 45.0
"""What fills the place of bone that was taken: muscle, scar or fluid (docs/published-values.md#ct-values)."""

SAMPLES = 3
"""Samples along each edge of a voxel at the border of what is taken."""

Taken = Callable[[Float], npt.NDArray[np.bool_]]
Image = npt.NDArray[np.float32]


def without(ct_hu: Image, share: Image) -> Image:
    """(same shape) array: a CT whose voxels lost a share of their bone; what is darker than soft tissue stays.

    >>> without(np.array([[[45.0, 845.0, -80.0]]]), np.array([[[1.0, 0.5, 1.0]]])).ravel().tolist()
    [45.0, 445.0, -80.0]
    """
    return np.where(ct_hu > SOFT_HU, ct_hu + share * (SOFT_HU - ct_hu), ct_hu).astype(np.float32)


def taken_share(grid: Grid, taken: Taken, where: npt.NDArray[np.bool_]) -> Image:
    """(nx, ny, nz) array: how much of each voxel of `where` is taken.

    >>> grid = Grid((3, 1, 1), np.eye(4))
    >>> half = taken_share(grid, lambda points: points[:, 0] < 1.0, np.ones((3, 1, 1), dtype=bool))
    >>> half.astype(float).round(2).ravel().tolist()
    [1.0, 0.33, 0.0]
    """
    steps = (np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5
    offsets = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    share = np.zeros(grid.shape, dtype=np.float32)
    centres = grid.world_mm(np.argwhere(where))
    for offset in offsets @ grid.affine_ras_mm[:3, :3].T:  # one at a time keeps memory at one point a voxel
        share[where] += taken(centres + offset)
    return np.asarray(share / len(offsets))
