"""Slopes of the discs in the sagittal plane, and the bends between neighbours: lordosis by level.

The lumbosacral disc is the steepest, and the bend from it to the next is the greatest of the spine. A disc's slope is
that of the plane through its voxels; one that the scan cuts, or a sliver of one, has none.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.grid import Grid

LEAST_DEPTH_MM, LEAST_VOXELS = 6.5, 30
"""Least spread (standard deviation) across and in depth of a disc's voxels; whole discs have 9..15 mm (choice)."""

FLAT_FRAC = 0.5
"""Most of a disc's depth that its height may be: what is not flat has no plane (choice)."""


def disc_slopes_deg(disc: npt.NDArray[np.uint8], grid: Grid, count: int) -> tuple[float | None, ...]:
    """Slope of the disc above each vertebra 1..count, degrees, positive where it falls ventrally; None without one.

    Parameters
    ----------
    disc : (nx, ny, nz) array on `grid`, n the disc above the n-th vertebra
    """
    boxes = ndimage.find_objects(disc, max_label=count)
    return tuple(_slope_deg(_where(disc, box, n), grid) for n, box in enumerate(boxes, start=1))


def _where(disc: npt.NDArray[np.uint8], box: tuple[slice, ...] | None, number: int) -> npt.NDArray[np.intp]:
    """(N, 3) indices of the voxels of a number, all of which lie in a box."""
    if box is None:
        return np.zeros((0, 3), dtype=np.intp)
    return np.argwhere(disc[box] == number) + [span.start for span in box]


def _slope_deg(index: npt.NDArray[np.intp], grid: Grid) -> float | None:
    if len(index) < LEAST_VOXELS:
        return None
    points = grid.world_mm(index)
    _, spread, axes = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)
    spread_mm = spread / np.sqrt(len(points))
    if spread_mm[1] < LEAST_DEPTH_MM or spread_mm[2] > FLAT_FRAC * spread_mm[1]:
        return None
    normal = axes[2] * np.sign(axes[2][2])
    return float(np.degrees(np.arctan2(normal[1], normal[2])))


def bends_deg(slopes: tuple[float | None, ...]) -> tuple[float | None, ...]:
    """By how much each disc is steeper than the next cranial one; None where either is not known.

    >>> bends_deg((44.0, 17.0, None, -7.0))
    (27.0, None, None, None)
    """
    above = (*slopes[1:], None)
    return tuple(None if a is None or b is None else a - b for a, b in zip(slopes, above, strict=True))
