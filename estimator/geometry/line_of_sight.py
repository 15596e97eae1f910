"""Compiled lines of sight past a distance field, followed only where the field can come near."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.geometry.cone_formulas import SMALLEST_STEP_MM, least_along, span_in_box, trilinear
from canalwise.recon.grid import Float

SIGHT_SLACK_MM = 0.1
"""Sight changes by no more than the distance a point is moved, but for what march and interpolation add to that."""

Line = tuple[float, float, float, float, float, float, float]
"""Start and displacement in fractional indices into a field, and the length in mm."""


class DistanceFieldArrays(NamedTuple):
    """A distance field as the loops take it.

    Parameters
    ----------
    distance_mm : (nx, ny, nz) float32 array
    to_index : (3, 4) array, RAS mm -> fractional index
    clearance_radius_mm : what must be kept clear
    """

    distance_mm: npt.NDArray[np.float32]
    to_index: Float
    clearance_radius_mm: float


@njit(cache=True)
def line_to(to_index: Float, pivots: Float, w: int, x: float, y: float, z: float, short_of: float) -> Line:
    """The line from a pivot to `short_of` a point: start and displacement in indices, and its length in mm.

    `to_index` (4, 4) affine RAS mm -> index; `pivots` (W, 3) and x, y, z RAS mm; `short_of` mm.
    """
    m, px, py, pz = to_index, pivots[w, 0], pivots[w, 1], pivots[w, 2]
    wx, wy, wz = x - px, y - py, z - pz
    length = np.sqrt(wx * wx + wy * wy + wz * wz)
    share = max(length - short_of, 0.0) / max(length, 1e-9)
    wx, wy, wz = wx * share, wy * share, wz * share
    return (
        m[0, 0] * px + m[0, 1] * py + m[0, 2] * pz + m[0, 3],
        m[1, 0] * px + m[1, 1] * py + m[1, 2] * pz + m[1, 3],
        m[2, 0] * px + m[2, 1] * py + m[2, 2] * pz + m[2, 3],
        m[0, 0] * wx + m[0, 1] * wy + m[0, 2] * wz,
        m[1, 0] * wx + m[1, 1] * wy + m[1, 2] * wz,
        m[2, 0] * wx + m[2, 1] * wy + m[2, 2] * wz,
        length * share,
    )


@njit(cache=True)
def sight_on(field: DistanceFieldArrays, line: Line, begin: float, end: float, give_up: float) -> float:
    """By how much a stretch of a line clears the berth, mm; not followed below `give_up`.

    The samples are those that the march over all of the line would take.
    """
    si, sj, sk, wi, wj, wk, length = line
    enter, _ = span_in_box(field.distance_mm, si, sj, sk, wi, wj, wk)
    step = SMALLEST_STEP_MM / max(length, 1e-9)
    first = enter + max(np.floor((begin - enter) / step), 0.0) * step
    share = end - first
    if share < 0.0 or begin > end:
        return np.inf
    least = least_along(
        field.distance_mm,
        si + first * wi,
        sj + first * wj,
        sk + first * wk,
        wi * share,
        wj * share,
        wk * share,
        length * share,
        field.clearance_radius_mm + give_up,
    )
    return least - field.clearance_radius_mm


@njit(cache=True)
def stretch_near(field: DistanceFieldArrays, line: Line, near: float) -> tuple[float, float]:
    """First and last share of a line on which the field falls to `near`; (1, 0) where it does nowhere."""
    si, sj, sk, wi, wj, wk, length = line
    first, last = span_in_box(field.distance_mm, si, sj, sk, wi, wj, wk)
    if first > last or length <= 0.0:
        return 1.0, 0.0
    above = trilinear(field.distance_mm, si + first * wi, sj + first * wj, sk + first * wk) - near
    while above > 0.0:
        if first >= last:
            return 1.0, 0.0
        first = min(first + max(above, SIGHT_SLACK_MM) / length, last)
        above = trilinear(field.distance_mm, si + first * wi, sj + first * wj, sk + first * wk) - near
    above = trilinear(field.distance_mm, si + last * wi, sj + last * wj, sk + last * wk) - near
    while above > 0.0 and last > first:
        last = max(last - max(above, SIGHT_SLACK_MM) / length, first)
        above = trilinear(field.distance_mm, si + last * wi, sj + last * wj, sk + last * wk) - near
    return first, last


@njit(cache=True)
def sight_near_end(field: DistanceFieldArrays, line: Line, most: float, give_up: float) -> float:
    """A line's sight, or one of no less than `most` where it is that clear; found faster than by following it all."""
    si, sj, sk, wi, wj, wk, _ = line
    _, leave = span_in_box(field.distance_mm, si, sj, sk, wi, wj, wk)
    end = trilinear(field.distance_mm, si + leave * wi, sj + leave * wj, sk + leave * wk)
    begin, last = stretch_near(field, line, min(end, field.clearance_radius_mm + most) + SIGHT_SLACK_MM)
    return sight_on(field, line, begin, last, give_up)


@njit(cache=True, nogil=True)
def sights(
    field: DistanceFieldArrays, pivots: Float, points: Float, short_of: float, give_up: float, out: Float
) -> None:
    """Fill `out` (N,) with the sight of each (N, 3) point from the pivot (1, 3)."""
    only: Any = np.int64(0)
    for n in range(len(points)):
        line = line_to(field.to_index, pivots, only, points[n, 0], points[n, 1], points[n, 2], short_of)
        out[n] = sight_near_end(field, line, np.inf, give_up)
