"""Compiled inner loops: plain arrays in, plain arrays out, nothing checked."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from recon.grid import Float

SMALLEST_STEP_MM = 0.4
"""The ray march never steps less. A ray passes its nearest point on a curve of radius the distance itself, at
least the berth (2 mm), so the least distance is missed by at most step^2 / (8 x 2 mm) = 0.01 mm."""


@njit(cache=True)
def _segment_distance(px: float, py: float, pz: float, a: Float, b: Float) -> float:
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    wx, wy, wz = px - a[0], py - a[1], pz - a[2]
    length2 = ux * ux + uy * uy + uz * uz
    t = 0.0 if length2 == 0.0 else min(1.0, max(0.0, (wx * ux + wy * uy + wz * uz) / length2))
    return np.sqrt((wx - t * ux) ** 2 + (wy - t * uy) ** 2 + (wz - t * uz) ** 2)


@njit(cache=True)
def capsule_chain_distance_mm(
    points_mm: Float,
    pivot_mm: Float,
    targets_mm: Float,
    scope_radius_mm: float,
    tool_radius_mm: float,
    working_distance_mm: float,
) -> Float:
    """(N,) array: least signed distance to any of the M two-radius paths pivot -> target."""
    tips = np.empty_like(targets_mm)
    for j in range(len(targets_mm)):
        way = targets_mm[j] - pivot_mm
        length = np.sqrt((way * way).sum())
        tips[j] = pivot_mm + way * max(0.0, 1.0 - working_distance_mm / length)
    least = np.empty(len(points_mm))
    for i in range(len(points_mm)):
        x, y, z = points_mm[i]
        best = np.inf
        for j in range(len(targets_mm)):
            scope = _segment_distance(x, y, z, pivot_mm, tips[j]) - scope_radius_mm
            tool = _segment_distance(x, y, z, tips[j], targets_mm[j]) - tool_radius_mm
            best = min(best, scope, tool)
        least[i] = best
    return least


@njit(cache=True)
def _trilinear(field: npt.NDArray[np.float32], i: float, j: float, k: float) -> float:
    nx, ny, nz = field.shape
    i, j, k = min(max(i, 0.0), nx - 1.0), min(max(j, 0.0), ny - 1.0), min(max(k, 0.0), nz - 1.0)
    i0, j0, k0 = min(int(i), nx - 2), min(int(j), ny - 2), min(int(k), nz - 2)
    u, v, w = i - i0, j - j0, k - k0
    low = (field[i0, j0, k0] * (1 - u) + field[i0 + 1, j0, k0] * u) * (1 - v)
    low += (field[i0, j0 + 1, k0] * (1 - u) + field[i0 + 1, j0 + 1, k0] * u) * v
    high = (field[i0, j0, k0 + 1] * (1 - u) + field[i0 + 1, j0, k0 + 1] * u) * (1 - v)
    high += (field[i0, j0 + 1, k0 + 1] * (1 - u) + field[i0 + 1, j0 + 1, k0 + 1] * u) * v
    return low * (1 - w) + high * w


@njit(cache=True)
def _span_in_box(start: Float, way: Float, shape: Float) -> tuple[float, float]:
    enter, leave = 0.0, 1.0
    for axis in range(3):
        if way[axis] == 0.0:
            if start[axis] < 0.0 or start[axis] > shape[axis] - 1.0:
                return 1.0, 0.0
            continue
        a, b = -start[axis] / way[axis], (shape[axis] - 1.0 - start[axis]) / way[axis]
        enter, leave = max(enter, min(a, b)), min(leave, max(a, b))
    return enter, leave


@njit(cache=True)
def least_field_along(
    field: npt.NDArray[np.float32], start: Float, ends: Float, mm_per_unit: Float, give_up_mm: float
) -> Float:
    """(N,) array: least value of a distance field on each straight piece start -> end.

    Parameters
    ----------
    field : (nx, ny, nz) array of distances, mm
    start, ends : (3,) and (N, 3) arrays of fractional indices into `field`
    mm_per_unit : (N,) array, length of each piece in mm
    give_up_mm : a piece whose least value falls below this is not followed further

    Outside the field's box nothing is looked at; a piece that misses it gets +inf. Since a
    distance changes by at most the way moved, the march may step by how far the present
    value lies above the least one so far.
    """
    shape = np.array([float(n) for n in field.shape])
    least = np.full(len(ends), np.inf)
    for n in range(len(ends)):
        way = ends[n] - start
        t, leave = _span_in_box(start, way, shape)
        while t <= leave and mm_per_unit[n] > 0:
            p = start + t * way
            value = _trilinear(field, p[0], p[1], p[2])
            gap = value - least[n] if value > least[n] else 0.0
            least[n] = min(least[n], value)
            if least[n] < give_up_mm or t == leave:
                break
            t = min(leave, t + max(gap, SMALLEST_STEP_MM) / mm_per_unit[n])
    return least
