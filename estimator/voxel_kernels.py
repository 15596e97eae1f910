"""Compiled loops over the formulas of `estimator.geometry`: plain arrays in, plain arrays out, nothing checked.

They let other threads run meanwhile, and each place's answer depends on that place alone.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from estimator.bricks import Bricks
from estimator.geometry import cone_distance, least_along, trilinear
from estimator.ways import Ways
from recon.grid import Float
from recon.labels import Labels, Mask

SIGHT_SLACK_MM = 0.1
"""Sight changes by no more than the way a point is moved, but for what march and interpolation add to that."""

PROTECTED_STEP_MM = 0.4
"""Spacing of the samples at which a path is checked for protected bone."""


class Field(NamedTuple):
    """A distance field as the loops take it.

    Parameters
    ----------
    distance_mm : (nx, ny, nz) float32 array
    to_index : (3, 4) array, RAS mm -> fractional index
    berth_mm : what must be kept clear
    """

    distance_mm: npt.NDArray[np.float32]
    to_index: Float
    berth_mm: float


@njit(cache=True)
def _grown_distance(cones: Float, k: int, x: float, y: float, z: float) -> float:
    """Signed distance of a point to one grown cone."""
    wx, wy, wz = x - cones[k, 0], y - cones[k, 1], z - cones[k, 2]
    t = wx * cones[k, 3] + wy * cones[k, 4] + wz * cones[k, 5]
    rho = np.sqrt(max(wx * wx + wy * wy + wz * wz - t * t, 0.0))
    return cone_distance(t, rho, cones[k, 6], cones[k, 7], cones[k, 8]) - cones[k, 9]


@njit(cache=True)
def _sight(
    field: Field, pivots: Float, w: int, x: float, y: float, z: float, short_of: float, give_up: float
) -> float:
    """By how much the line from a pivot to `short_of` a point clears the berth, mm; not followed below `give_up`."""
    m, px, py, pz = field.to_index, pivots[w, 0], pivots[w, 1], pivots[w, 2]
    wx, wy, wz = x - px, y - py, z - pz
    length = np.sqrt(wx * wx + wy * wy + wz * wz)
    share = max(length - short_of, 0.0) / max(length, 1e-9)
    wx, wy, wz = wx * share, wy * share, wz * share
    least = least_along(
        field.distance_mm,
        m[0, 0] * px + m[0, 1] * py + m[0, 2] * pz + m[0, 3],
        m[1, 0] * px + m[1, 1] * py + m[1, 2] * pz + m[1, 3],
        m[2, 0] * px + m[2, 1] * py + m[2, 2] * pz + m[2, 3],
        m[0, 0] * wx + m[0, 1] * wy + m[0, 2] * wz,
        m[1, 0] * wx + m[1, 1] * wy + m[1, 2] * wz,
        m[2, 0] * wx + m[2, 1] * wy + m[2, 2] * wz,
        length * share, field.berth_mm + give_up,
    )
    return least - field.berth_mm


@njit(cache=True, nogil=True)
def sights(field: Field, pivots: Float, points: Float, short_of: float, give_up: float, out: Float) -> None:
    """Fill `out` (N,) with the sight of each (N, 3) point from the one pivot of `pivots` (1, 3)."""
    for n in range(len(points)):
        out[n] = _sight(field, pivots, 0, points[n, 0], points[n, 1], points[n, 2], short_of, give_up)


@njit(cache=True, nogil=True)
def least_distances(cones: Float, points: Float, out: Float) -> None:
    """Fill `out` (N,) with the least signed distance of each (N, 3) point to any of the grown cones."""
    for n in range(len(points)):
        out[n] = np.inf
        for k in range(len(cones)):
            out[n] = min(out[n], _grown_distance(cones, k, points[n, 0], points[n, 1], points[n, 2]))


@njit(cache=True)
def _in_a_cone(ways: Ways, listed: npt.NDArray[np.int64], first: int, end: int, x: float, y: float, z: float) -> bool:
    """Does a point lie in any of the listed cones?"""
    for n in range(first, end):  # noqa: SIM110 (compiled, where a loop is the plain thing)
        if _grown_distance(ways.cones, listed[n], x, y, z) < 0.0:
            return True
    return False


@njit(cache=True, nogil=True)
def held(ways: Ways, field: Field, points: Float, out: Mask) -> None:
    """Fill `out` (N,): does any way hold the (N, 3) point, in sight of its pivot?"""
    every = np.arange(len(ways.cones))
    for n in range(len(points)):
        x, y, z = points[n, 0], points[n, 1], points[n, 2]
        out[n] = False
        for w in range(len(ways.pivots_mm)):
            if (_grown_distance(ways.hulls, w, x, y, z) < 0.0
                    and _in_a_cone(ways, every, ways.starts[w], ways.starts[w + 1], x, y, z)
                    and _sight(field, ways.pivots_mm, w, x, y, z, 0.0, 0.0) > 0.0):
                out[n] = True
                break


OUT, BORDER, IN = 0, 1, 2
"""How a ball stands to a solid, or to what is in sight."""

Lists = tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.int64]]
"""Names of cones; (W, 2) start and end of each way's; (W, 2) standing of some ball to each way's solid and sight."""


@njit(cache=True)
def _list_cones(ways: Ways, w: int, ball: tuple[float, float, float, float],
                among: tuple[npt.NDArray[np.int64], int, int], listed: npt.NDArray[np.int64], first: int
                ) -> tuple[int, int]:
    """Lists the cones whose border a ball (x, y, z, radius) meets; how it stands to their union, and the list's end."""
    x, y, z, radius = ball
    names, start, stop = among
    end = first
    for n in range(start, stop):
        distance = _grown_distance(ways.cones, names[n], x, y, z)
        if distance < -radius:
            return IN, first
        if distance <= radius:
            listed[end] = names[n]
            end += 1
    return (BORDER if end > first else OUT), end


@njit(cache=True)
def _seen(ways: Ways, field: Field, w: int, ball: tuple[float, float, float, float]) -> int:
    """Is all, none or perhaps some of a ball in sight of a pivot?"""
    x, y, z, radius = ball
    sure = radius + SIGHT_SLACK_MM
    sight = _sight(field, ways.pivots_mm, w, x, y, z, 0.0, -sure)
    return OUT if sight < -sure else (IN if sight > sure else BORDER)


@njit(cache=True)
def _meets(ways: Ways, field: Field, ball: tuple[float, float, float, float],
           above: Lists, below: Lists) -> int:
    """How a ball stands to the region, given how the ball about it does (`above`); what it finds goes to `below`.
    """
    names, spans, stands = above
    listed, found, state = below
    end, whole = 0, OUT
    for w in range(len(ways.pivots_mm)):
        state[w, 0], state[w, 1], found[w, 0], found[w, 1] = stands[w, 0], stands[w, 1], end, end
        if stands[w, 0] == BORDER:
            state[w, 0], found[w, 1] = _list_cones(ways, w, ball, (names, spans[w, 0], spans[w, 1]), listed, end)
            end = found[w, 1]
        if state[w, 0] != OUT and stands[w, 1] == BORDER:
            state[w, 1] = _seen(ways, field, w, ball)
        if state[w, 0] == OUT or state[w, 1] == OUT:
            state[w, 0], state[w, 1] = OUT, OUT
        elif state[w, 0] == IN and state[w, 1] == IN:
            return IN
        else:
            whole = BORDER
    return whole


@njit(cache=True)
def _share_held(ways: Ways, field: Field, place: tuple[float, float, float], samples: Float,
                below: Lists) -> float:
    """Share of a place's samples that the region holds."""
    listed, spans, stands = below
    count = 0
    for s in range(len(samples)):
        x, y, z = place[0] + samples[s, 0], place[1] + samples[s, 1], place[2] + samples[s, 2]
        for w in range(len(ways.pivots_mm)):
            if (stands[w, 0] != OUT
                    and (stands[w, 0] == IN or _in_a_cone(ways, listed, spans[w, 0], spans[w, 1], x, y, z))
                    and (stands[w, 1] == IN or _sight(field, ways.pivots_mm, w, x, y, z, 0.0, 0.0) > 0.0)):
                count += 1
                break
    return count / len(samples)


@njit(cache=True)
def _lists(ways: Ways) -> Lists:
    count = len(ways.pivots_mm)
    return np.empty(len(ways.cones), np.int64), np.empty((count, 2), np.int64), np.empty((count, 2), np.int64)


@njit(cache=True, nogil=True)
def cover(bricks: Bricks, ways: Ways, field: Field, part: tuple[int, int], share: npt.NDArray[np.float32]) -> None:
    """Fill `share` (N,), zeros before, with the share of each place that the region holds, for every n-th brick.

    A brick, then a place, whose ball lies wholly on one side of a solid's border or of what is in sight is not asked
    again there; what is left is asked sample by sample.

    Parameters
    ----------
    part : (first brick, step)
    """
    all_cones, in_brick, in_place = _lists(ways), _lists(ways), _lists(ways)
    all_cones[0][:], all_cones[2][:] = np.arange(len(ways.cones)), BORDER
    all_cones[1][:, 0], all_cones[1][:, 1] = ways.starts[:-1], ways.starts[1:]
    for b in range(part[0], len(bricks.radii_mm), part[1]):
        ball = bricks.centres_mm[b, 0], bricks.centres_mm[b, 1], bricks.centres_mm[b, 2], bricks.radii_mm[b]
        for w in range(len(ways.pivots_mm)):
            near = _grown_distance(ways.hulls, w, ball[0], ball[1], ball[2]) <= ball[3]
            all_cones[2][w, 0] = BORDER if near else OUT
        stands = _meets(ways, field, ball, all_cones, in_brick)
        for n in range(bricks.starts[b], bricks.starts[b + 1] if stands != OUT else 0):
            if stands == IN:
                share[n] = 1.0
                continue
            x, y, z = bricks.points_mm[n, 0], bricks.points_mm[n, 1], bricks.points_mm[n, 2]
            at = _meets(ways, field, (x, y, z, bricks.half_mm), in_brick, in_place)
            if at != OUT:
                share[n] = 1.0 if at == IN else _share_held(ways, field, (x, y, z), bricks.samples_mm, in_place)


@njit(cache=True, nogil=True)
def resampled(field: npt.NDArray[np.float32], start: Float, steps: Float, limits: Float,
              out: npt.NDArray[np.float32]) -> None:
    """Fill `out` (nx, ny, nz) with a field's values at the fractional indices start + (x, y, z) @ steps.

    Beyond the `limits` (2, 3) of indices there is 0.
    """
    for x in range(out.shape[0]):
        for y in range(out.shape[1]):
            for z in range(out.shape[2]):
                i = start[0] + x * steps[0, 0] + y * steps[1, 0] + z * steps[2, 0]
                j = start[1] + x * steps[0, 1] + y * steps[1, 1] + z * steps[2, 1]
                k = start[2] + x * steps[0, 2] + y * steps[1, 2] + z * steps[2, 2]
                out[x, y, z] = 0.0
                if (limits[0, 0] <= i <= limits[1, 0] and limits[0, 1] <= j <= limits[1, 1]
                        and limits[0, 2] <= k <= limits[1, 2]):
                    out[x, y, z] = trilinear(field, i, j, k)


@njit(cache=True, nogil=True)
def longest_runs(bone: npt.NDArray[np.float32], least: float, out: npt.NDArray[np.int64]) -> None:
    """Fill `out` (nz,), zeros before, with the longest unbroken run along x of values of at least `least` per plane."""
    for z in range(bone.shape[2]):
        for y in range(bone.shape[1]):
            run = 0
            for x in range(bone.shape[0]):
                run = run + 1 if bone[x, y, z] >= least else 0
                out[z] = max(out[z], run)


@njit(cache=True, nogil=True)
def met_on_way(
    labels: Labels, to_index: Float, pivot: Float, points: Float, short_of: float, kinds: Mask, out: Mask
) -> None:
    """Fill `out` (N,): does the line from the pivot to `short_of` each (N, 3) point run through a label of a kind?

    `kinds` (65536,) says which labels are. The label is that of the nearest voxel, looked at every PROTECTED_STEP_MM;
    outside the outermost voxels' centres there is none.
    """
    m, (nx, ny, nz) = to_index, labels.shape
    for n in range(len(points)):
        wx, wy, wz = points[n, 0] - pivot[0], points[n, 1] - pivot[1], points[n, 2] - pivot[2]
        length = np.sqrt(wx * wx + wy * wy + wz * wz)
        out[n], step = False, 0
        while step * PROTECTED_STEP_MM <= length - short_of and not out[n]:
            share = step * PROTECTED_STEP_MM / max(length, 1e-9)
            x, y, z = pivot[0] + wx * share, pivot[1] + wy * share, pivot[2] + wz * share
            i = m[0, 0] * x + m[0, 1] * y + m[0, 2] * z + m[0, 3]
            j = m[1, 0] * x + m[1, 1] * y + m[1, 2] * z + m[1, 3]
            k = m[2, 0] * x + m[2, 1] * y + m[2, 2] * z + m[2, 3]
            if 0 <= i <= nx - 1 and 0 <= j <= ny - 1 and 0 <= k <= nz - 1:
                out[n] = kinds[labels[int(i + 0.5), int(j + 0.5), int(k + 0.5)]]
            step += 1
