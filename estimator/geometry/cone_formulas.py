"""The channel's geometry, point by point: the one place where these formulas stand.

Scalar functions, compiled; nothing is checked. Constants are of single precision, so that a loop over single precision
stays in it and one over double precision is not made coarser. `estimator/batch.cu` says the same for a graphics
card and is held to these by test.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Real = Any
"""Double or single precision, one of them throughout; the compiler makes a version for each."""

ZERO, HALF, ONE = np.float32(0.0), np.float32(0.5), np.float32(1.0)

SMALLEST_STEP_MM = np.float32(0.4)
"""The ray march never steps less. A ray passes its nearest point on a curve of radius the distance itself, at
least the berth (2 mm), so the least distance is missed by at most step^2 / (8 x 2 mm) = 0.01 mm."""


@njit(cache=True, inline="always")
def cone_distance(t: Real, rho: Real, length: Real, base: Real, inverse: Real) -> Real:
    """Signed distance to a solid cone, in the half-plane (t along its axis, rho away from it), negative inside.

    There the cone is the triangle (0, 0), (length, 0), (length, base); the distance is to its two outer
    edges. `inverse` is 1 / (length^2 + base^2), or any number where both are 0: the distance is then to the apex.

    >>> round(cone_distance(5.0, 3.0, 10.0, 0.0, 0.01), 6), round(cone_distance(12.0, 0.0, 10.0, 0.0, 0.01), 6)
    (3.0, 2.0)
    """
    along = min(max((t * length + rho * base) * inverse, ZERO), ONE)
    side_t, side_rho = t - along * length, rho - along * base
    base_t, base_rho = t - length, max(rho - base, ZERO)
    nearest = np.sqrt(min(side_t * side_t + side_rho * side_rho, base_t * base_t + base_rho * base_rho))
    inside = (t > ZERO) & (t < length) & (rho * length < t * base)
    return -nearest if inside else nearest


@njit(cache=True)
def trilinear(field: npt.NDArray[np.float32], i: Real, j: Real, k: Real) -> Real:
    """A field's value at a fractional index, held to the field's box.

    >>> field = np.arange(8, dtype=np.float32).reshape(2, 2, 2)
    >>> float(trilinear(field, np.float32(0.5), np.float32(0), np.float32(1)))
    3.0
    """
    nx, ny, nz = field.shape
    i = min(max(i, ZERO), np.float32(nx - 1))
    j = min(max(j, ZERO), np.float32(ny - 1))
    k = min(max(k, ZERO), np.float32(nz - 1))
    i0, j0, k0 = min(int(i), nx - 2), min(int(j), ny - 2), min(int(k), nz - 2)
    u, v, w = i - np.float32(i0), j - np.float32(j0), k - np.float32(k0)
    low = (field[i0, j0, k0] * (ONE - u) + field[i0 + 1, j0, k0] * u) * (ONE - v)
    low += (field[i0, j0 + 1, k0] * (ONE - u) + field[i0 + 1, j0 + 1, k0] * u) * v
    high = (field[i0, j0, k0 + 1] * (ONE - u) + field[i0 + 1, j0, k0 + 1] * u) * (ONE - v)
    high += (field[i0, j0 + 1, k0 + 1] * (ONE - u) + field[i0 + 1, j0 + 1, k0 + 1] * u) * v
    return low * (ONE - w) + high * w


@njit(cache=True)
def _entered(start: Real, step: Real, last: Real) -> Real:
    """Where along start -> start + step a line enters the slab 0..last."""
    if step == ZERO:
        return ZERO if ZERO <= start <= last else np.float32(2.0)
    return min(-start / step, (last - start) / step)


@njit(cache=True)
def _left(start: Real, step: Real, last: Real) -> Real:
    """Where it leaves the slab."""
    return ONE if step == ZERO else max(-start / step, (last - start) / step)


@njit(cache=True)
def span_in_box(
    field: npt.NDArray[np.float32], si: Real, sj: Real, sk: Real, wi: Real, wj: Real, wk: Real
) -> tuple[Real, Real]:
    """Where along start -> start + step, 0..1, a line enters and leaves a field's box; leaves first if it misses it.

    `field` (nx, ny, nz); start `s` and step `w` in fractional indices.
    """
    nx, ny, nz = np.float32(field.shape[0] - 1), np.float32(field.shape[1] - 1), np.float32(field.shape[2] - 1)
    enter = max(max(_entered(si, wi, nx), _entered(sj, wj, ny)), max(_entered(sk, wk, nz), ZERO))
    leave = min(min(_left(si, wi, nx), _left(sj, wj, ny)), min(_left(sk, wk, nz), ONE))
    return enter, leave


@njit(cache=True)
def least_along(
    field: npt.NDArray[np.float32],
    si: Real,
    sj: Real,
    sk: Real,
    wi: Real,
    wj: Real,
    wk: Real,
    length_mm: Real,
    give_up_mm: Real,
) -> Real:
    """Least value of a distance field on a straight piece within the field's box; +inf when it misses the box.

    Parameters
    ----------
    field : (nx, ny, nz) array of distances, mm
    si, sj, sk, wi, wj, wk : the piece's start and displacement, in fractional indices into `field`
    length_mm : of the piece
    give_up_mm : a piece whose least value falls below this is not followed further

    Since a distance changes by at most the distance moved, the march may step by how far the present
    value lies above the least one so far.
    """
    return least_below(field, si, sj, sk, wi, wj, wk, length_mm, give_up_mm, np.float32(np.inf))


@njit(cache=True)
def least_below(
    field: npt.NDArray[np.float32],
    si: Real,
    sj: Real,
    sk: Real,
    wi: Real,
    wj: Real,
    wk: Real,
    length_mm: Real,
    give_up_mm: Real,
    care_mm: Real,
) -> Real:
    """The same where it is below `care_mm`; where it is not, only that it is not.

    Arguments as of `least_along`.

    How far the value lies above what is cared for is a step that cannot miss anything either.
    """
    t, leave = span_in_box(field, si, sj, sk, wi, wj, wk)
    least = np.float32(np.inf)
    while t <= leave and length_mm > ZERO:
        value = np.float32(trilinear(field, si + t * wi, sj + t * wj, sk + t * wk))
        gap = max(value - least if value > least else ZERO, value - care_mm)
        least = min(least, value)
        if least < give_up_mm or t == leave:
            break
        t = min(leave, t + max(gap, SMALLEST_STEP_MM) / length_mm)
    return least
