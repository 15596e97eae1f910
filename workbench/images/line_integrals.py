"""Sums along rays that spread from one point to the pixels of a flat detector, through a voxel grid.

Joseph's method (IEEE Trans Med Imaging 1, 1982; from memory): a ray is sampled where it crosses the planes of voxel
centres that it crosses most steeply, between four voxels each time. No step length is to be chosen, and a solid given
as the share it fills of each voxel comes out 4 to 5 times nearer to the true chord at its rim than with voxels taken
as boxes (measured on a ball; `tests/workbench/test_ray_sums.py` holds the error below 1 % of the diameter).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.recon.grid import Float, Grid
from canalwise.recon.parallel import both
from canalwise.workbench.images.radiograph_view import Rays


@dataclass(frozen=True, eq=False)
class RaySums:
    """What each ray met, (rows, columns) arrays.

    Parameters
    ----------
    integral : of max(value - zero, 0) along the ray from source to pixel, value x mm
    above_mm : the length of ray in what is more than `above`
    """

    integral: Float
    above_mm: Float


def ray_sums(
    values: npt.NDArray[np.generic], grid: Grid, rays: Rays, *, zero: float = 0.0, above: float = 0.0
) -> RaySums:
    """The sums along every ray; beyond the grid there is nothing.

    >>> grid = Grid((4, 4, 4), np.diag([1.0, 1.0, 2.0, 1.0]))
    >>> away, step = np.array([1.0, 1.0, -50.0]), np.array([0.01, 0.0, 0.0])
    >>> straight = Rays(away, np.array([1.0, 1.0, 50.0]), step, step[[1, 0, 2]], (1, 1))
    >>> ray_sums(np.full((4, 4, 4), 3.0, np.float32), grid, straight, zero=1.0).integral.round(9).tolist()
    [[16.0]]
    """
    out = np.zeros((2, *rays.shape))
    source = grid.index_of(rays.source_ras_mm)
    across, down = (grid.index_of(rays.first_ras_mm + step) - grid.index_of(rays.first_ras_mm)
                    for step in (rays.across_ras_mm, rays.down_ras_mm))  # fmt: skip
    plane = np.stack([grid.index_of(rays.first_ras_mm) - source, across, down])
    half, edges = rays.shape[0] // 2, np.ascontiguousarray(grid.affine_ras_mm[:3, :3])
    both(
        lambda: _fill(values, (zero, above), source, plane, edges, out[:, :half], 0),
        lambda: _fill(values, (zero, above), source, plane, edges, out[:, half:], half),
    )
    return RaySums(out[0], out[1])


@njit(cache=True, nogil=True)
def _fill(
    values: npt.NDArray[np.generic],
    levels: tuple[float, float],
    source: Float,
    plane: Float,
    edges: Float,
    out: Float,
    top: int,
) -> None:
    """Fills rows of both pictures; `plane` holds the vector to pixel 0 and the steps across and down, indices."""
    for row in range(out.shape[1]):
        for column in range(out.shape[2]):
            direction = plane[0] + column * plane[1] + (row + top) * plane[2]
            world = edges @ direction
            steep = int(np.argmax(np.abs(direction)))
            total, dense = _along(values, levels, source, direction, steep)
            step_mm = np.sqrt(world @ world) / abs(direction[steep])
            out[0, row, column], out[1, row, column] = step_mm * total, step_mm * dense


@njit(cache=True, nogil=True)
def _along(
    values: npt.NDArray[np.generic], levels: tuple[float, float], source: Float, direction: Float, steep: int
) -> tuple[float, float]:
    """Sums over the planes that source + t direction, t from 0 to 1, crosses along its steepest axis."""
    one, other = (steep + 1) % 3, (steep + 2) % 3
    total, dense = 0.0, 0.0
    first, last = _planes(values.shape, source, direction, steep)
    for plane in range(first, last + 1):
        share = (plane - source[steep]) / direction[steep]
        y, z = source[one] + share * direction[one], source[other] + share * direction[other]
        j, k = int(np.floor(y)), int(np.floor(z))
        for dj in range(2):
            for dk in range(2):
                if 0 <= j + dj < values.shape[one] and 0 <= k + dk < values.shape[other]:
                    weight = (y - j if dj else 1 - y + j) * (z - k if dk else 1 - z + k)
                    value = _value(values, steep, plane, j + dj, k + dk)
                    total += weight * max(value - levels[0], 0.0)
                    if value > levels[1]:
                        dense += weight
    return total, dense


@njit(cache=True, nogil=True, inline="always")
def _value(values: npt.NDArray[np.generic], steep: int, plane: int, one: int, other: int) -> float:
    """The voxel at `plane` along the steepest axis and at the other two, in cyclic order."""
    if steep == 0:
        return float(values[plane, one, other])
    return float(values[other, plane, one]) if steep == 1 else float(values[one, other, plane])


@njit(cache=True, nogil=True)
def _planes(shape: tuple[int, int, int], source: Float, direction: Float, steep: int) -> tuple[int, int]:
    """First and last plane along the steepest axis that the ray crosses between the source and its pixel and within
    a voxel of the grid; the last is less than the first where it crosses none."""
    enter, leave = 0.0, 1.0
    for axis in range(3):
        margin = 0.0 if axis == steep else 1.0
        low, high = -margin - source[axis], shape[axis] - 1 + margin - source[axis]
        if direction[axis] == 0:
            if low > 0 or high < 0:
                return 0, -1
        else:
            near, far = low / direction[axis], high / direction[axis]
            enter, leave = max(enter, min(near, far)), min(leave, max(near, far))
    if enter > leave:
        return 0, -1
    ends = (source[steep] + enter * direction[steep], source[steep] + leave * direction[steep])
    # a hair wider, then clipped: a plane met exactly must not be lost to rounding
    first, last = np.ceil(min(ends) - 1e-9), np.floor(max(ends) + 1e-9)
    return max(int(first), 0), min(int(last), shape[steep] - 1)
