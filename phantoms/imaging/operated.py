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


def taken_share(grid: Grid, taken: Taken) -> Image:
    """(nx, ny, nz) array: how much of each voxel is taken, slab by slab.

    >>> half = taken_share(Grid((3, 1, 1), np.eye(4)), lambda points: points[:, 0] < 1.0)
    >>> half.round(2).ravel().tolist()
    [1.0, 0.33, 0.0]
    """
    steps = (np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5
    offsets = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    offsets = offsets @ grid.affine_ras_mm[:3, :3].T
    share = np.zeros(grid.shape, dtype=np.float32)
    plane = np.stack(np.meshgrid(*(np.arange(n) for n in grid.shape[1:]), indexing="ij"), axis=-1)
    for i in range(grid.shape[0]):
        layer = np.concatenate([np.full((*plane.shape[:2], 1), i), plane], axis=-1)
        centres = grid.world_mm(layer).reshape(-1, 3)
        inside = np.mean([taken(centres + offset) for offset in offsets], axis=0)
        share[i] = inside.reshape(grid.shape[1:])
    return share
