"""Exact sums along rays that spread from one point to the pixels of a flat detector, through a voxel grid.

Each voxel is a box of one value; a ray's sum is the value times the length in each box it passes, as in Siddon's method
(Medical Physics 12, 1985; from memory), with no step length to choose.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from recon.grid import Float, Grid
from recon.workers import both


@dataclass(frozen=True, eq=False)
class Rays:
    """One point source and one flat detector, RAS mm.

    Parameters
    ----------
    source_ras_mm : (3,) array
    first_ras_mm : (3,) array, the centre of the upper left pixel
    across_ras_mm, down_ras_mm : (3,) arrays, from one pixel to the next of its row, and of its column
    shape : rows and columns
    """

    source_ras_mm: Float
    first_ras_mm: Float
    across_ras_mm: Float
    down_ras_mm: Float
    shape: tuple[int, int]


@dataclass(frozen=True, eq=False)
class RaySums:
    """What each ray met, (rows, columns) arrays.

    Parameters
    ----------
    integral : of max(value - zero, 0) along the ray from source to pixel, value x mm
    above_mm : the length of ray within voxels of more than `above`
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
    """Fills rows of both pictures; `plane` holds the way to the first pixel and the steps across and down, indices."""
    for row in range(out.shape[1]):
        for column in range(out.shape[2]):
            way = plane[0] + column * plane[1] + (row + top) * plane[2]
            world = edges @ way
            length = np.sqrt(world @ world)
            total, dense = _along(values, levels, source, way)
            out[0, row, column], out[1, row, column] = length * total, length * dense


@njit(cache=True, nogil=True)
def _along(
    values: npt.NDArray[np.generic], levels: tuple[float, float], source: Float, way: Float
) -> tuple[float, float]:
    """Integral and length above along source + t way, t from 0 to 1, with t as the length."""
    enter, leave = _span(values.shape, source, way)
    if enter >= leave:
        return 0.0, 0.0
    here, step = np.empty(3, np.int64), np.empty(3, np.int64)
    crossing, between = np.full(3, np.inf), np.full(3, np.inf)
    for axis in range(3):
        at = source[axis] + enter * way[axis]
        here[axis] = min(max(int(np.floor(at + 0.5)), 0), values.shape[axis] - 1)
        step[axis] = 1 if way[axis] > 0 else -1
        if way[axis] != 0:
            between[axis] = 1 / abs(way[axis])
            crossing[axis] = (here[axis] + 0.5 * step[axis] - source[axis]) / way[axis]
    zero, above = levels
    total, dense, at = 0.0, 0.0, enter
    while at < leave:
        axis = 0 if crossing[0] <= crossing[1] else 1
        axis = axis if crossing[axis] <= crossing[2] else 2
        ahead = min(crossing[axis], leave)
        value, length = values[here[0], here[1], here[2]], max(ahead - at, 0.0)
        total += max(value - zero, 0.0) * length
        if value > above:
            dense += length
        at = max(at, ahead)
        here[axis] += step[axis]
        if here[axis] < 0 or here[axis] >= values.shape[axis]:
            break
        crossing[axis] += between[axis]
    return total, dense


@njit(cache=True, nogil=True)
def _span(shape: tuple[int, int, int], source: Float, way: Float) -> tuple[float, float]:
    """The first and last t within the grid's box and between source and pixel; the first is not less where outside."""
    enter, leave = 0.0, 1.0
    for axis in range(3):
        low, high = -0.5 - source[axis], shape[axis] - 0.5 - source[axis]
        if way[axis] == 0:
            if low > 0 or high < 0:
                return 1.0, 0.0
        else:
            near, far = low / way[axis], high / way[axis]
            enter, leave = max(enter, min(near, far)), min(leave, max(near, far))
    return enter, leave
