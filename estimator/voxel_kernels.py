"""Compiled loops over the formulas of `estimator.geometry`: plain arrays in, plain arrays out, nothing checked.

They let other threads run meanwhile, and each place's answer depends on that place alone.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from estimator.bricks import Bricks
from estimator.geometry import SMALLEST_STEP_MM, cone_distance, least_along, span_in_box, trilinear
from estimator.ways import Ways
from recon.grid import Float
from recon.labels import Labels, Mask

SIGHT_SLACK_MM = 0.1
"""Sight changes by no more than the way a point is moved, but for what march and interpolation add to that."""

Share = npt.NDArray[np.float32]
Line = tuple[float, float, float, float, float, float, float]
Place = tuple[float, float, float]
Ball = tuple[float, float, float, float]

MANY_CONES = 24
"""From so many on, distances to cones are worked out several at once."""

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


@njit(cache=True, inline="always")
def _grown_distance(cones: Float, k: int, x: float, y: float, z: float) -> float:
    """Signed distance of a point to one grown cone."""
    wx, wy, wz = x - cones[0, k], y - cones[1, k], z - cones[2, k]
    t = wx * cones[3, k] + wy * cones[4, k] + wz * cones[5, k]
    rho = np.sqrt(max(wx * wx + wy * wy + wz * wz - t * t, 0.0))
    return cone_distance(t, rho, cones[6, k], cones[7, k], cones[8, k]) - cones[9, k]


@njit(cache=True)
def _lower(cones: Float, k: int, x: Float, y: Float, z: Float, least: Float) -> None:
    """Lower `least` (n,) to the distance of each point to one grown cone; written so that several are done at once."""
    ax, ay, az, ux, uy, uz = cones[0, k], cones[1, k], cones[2, k], cones[3, k], cones[4, k], cones[5, k]
    length, base, inverse, radius = cones[6, k], cones[7, k], cones[8, k], cones[9, k]
    for n in range(len(least)):
        wx, wy, wz = x[n] - ax, y[n] - ay, z[n] - az
        t = wx * ux + wy * uy + wz * uz
        rho = np.sqrt(max(wx * wx + wy * wy + wz * wz - t * t, 0.0))
        least[n] = min(least[n], cone_distance(t, rho, length, base, inverse) - radius)


@njit(cache=True)
def _distances(cones: Float, first: int, end: int, x: float, y: float, z: float, out: Float) -> None:
    """Fill the first row of `out` (2, K) with a point's distances to the cones first:end.

    Of many by three loops, each over few enough arrays that several cones are done at once.
    """
    if end - first < MANY_CONES:
        for k in range(first, end):
            out[0, k - first] = _grown_distance(cones, k, x, y, z)
        return
    ax, ay, az = cones[0, first:end], cones[1, first:end], cones[2, first:end]
    ux, uy, uz = cones[3, first:end], cones[4, first:end], cones[5, first:end]
    length, base, inverse, radius = cones[6, first:end], cones[7, first:end], cones[8, first:end], cones[9, first:end]
    distance, t = out[0, :end - first], out[1, :end - first]
    for k in range(len(t)):
        t[k] = (x - ax[k]) * ux[k] + (y - ay[k]) * uy[k] + (z - az[k]) * uz[k]
    for k in range(len(t)):
        distance[k] = (x - ax[k]) * (x - ax[k]) + (y - ay[k]) * (y - ay[k]) + (z - az[k]) * (z - az[k])
    for k in range(len(t)):
        rho = np.sqrt(max(distance[k] - t[k] * t[k], 0.0))
        distance[k] = cone_distance(t[k], rho, length[k], base[k], inverse[k]) - radius[k]


@njit(cache=True, nogil=True)
def least_distances(cones: Float, points: Float, out: Float) -> None:
    """Fill `out` (N,) with the least signed distance of each (3, N) point to any of the (10, K) grown cones."""
    out[:] = np.inf
    for k in range(cones.shape[1]):
        _lower(cones, k, points[0], points[1], points[2], out)


@njit(cache=True)
def _line(to_index: Float, pivots: Float, w: int, x: float, y: float, z: float, short_of: float) -> Line:
    """The line from a pivot to `short_of` a point: start and way in fractional indices, and its length in mm."""
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
def _sight(field: Field, line: Line, give_up: float) -> float:
    """By how much a line clears the berth, mm; not followed below `give_up`."""
    si, sj, sk, wi, wj, wk, length = line
    least = least_along(field.distance_mm, si, sj, sk, wi, wj, wk, length, field.berth_mm + give_up)
    return least - field.berth_mm


@njit(cache=True)
def _sight_on(field: Field, line: Line, begin: float, end: float, give_up: float) -> float:
    """The same looking only at a stretch of the line, with the samples that the march over all of it would take."""
    si, sj, sk, wi, wj, wk, length = line
    enter, _ = span_in_box(field.distance_mm, si, sj, sk, wi, wj, wk)
    step = SMALLEST_STEP_MM / max(length, 1e-9)
    first = enter + max(np.floor((begin - enter) / step), 0.0) * step
    share = end - first
    if share < 0.0 or begin > end:
        return np.inf
    least = least_along(
        field.distance_mm, si + first * wi, sj + first * wj, sk + first * wk, wi * share, wj * share, wk * share,
        length * share, field.berth_mm + give_up,
    )
    return least - field.berth_mm


@njit(cache=True)
def _stretch(field: Field, line: Line, near: float) -> tuple[float, float]:
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
def _sight_near_end(field: Field, line: Line, most: float, give_up: float) -> float:
    """A line's sight, or one of no less than `most` where it is that clear; found faster than by following it all."""
    si, sj, sk, wi, wj, wk, _ = line
    _, leave = span_in_box(field.distance_mm, si, sj, sk, wi, wj, wk)
    end = trilinear(field.distance_mm, si + leave * wi, sj + leave * wj, sk + leave * wk)
    begin, last = _stretch(field, line, min(end, field.berth_mm + most) + SIGHT_SLACK_MM)
    return _sight_on(field, line, begin, last, give_up)


@njit(cache=True, nogil=True)
def sights(field: Field, pivots: Float, points: Float, short_of: float, give_up: float, out: Float) -> None:
    """Fill `out` (N,) with the sight of each (N, 3) point from the pivot (1, 3)."""
    for n in range(len(points)):
        line = _line(field.to_index, pivots, 0, points[n, 0], points[n, 1], points[n, 2], short_of)
        out[n] = _sight_near_end(field, line, np.inf, give_up)


@njit(cache=True, nogil=True)
def held(ways: Ways, field: Field, points: Float, out: Mask) -> None:
    """Fill `out` (N,): does any way hold the (N, 3) point, in sight of its pivot?"""
    distances = np.empty((2, ways.cones.shape[1]))
    hulls, cones, starts, pivots, nearest = ways.hulls, ways.cones, ways.starts, ways.pivots_mm, distances[0]
    for n in range(len(points)):
        x, y, z = points[n, 0], points[n, 1], points[n, 2]
        out[n] = False
        for w in range(len(pivots)):
            least = np.inf
            if not out[n] and _grown_distance(hulls, w, x, y, z) < 0.0:
                _distances(cones, starts[w], starts[w + 1], x, y, z, distances)
                for k in range(starts[w + 1] - starts[w]):
                    least = min(least, nearest[k])
            if least < 0.0:
                line = _line(field.to_index, pivots, w, x, y, z, 0.0)
                out[n] = _sight_near_end(field, line, 0.0, 0.0) > 0.0


@njit(cache=True, nogil=True)
def positive(share: Share, out: npt.NDArray[np.int64]) -> int:
    """Fill the first places of `out` (N,) with the indices at which `share` (N,) is above 0; how many there are."""
    count = 0
    for n in range(len(share)):
        if share[n] > 0.0:
            out[count] = n
            count += 1
    return count


OUT, BORDER, IN = 0, 1, 2
"""How a ball stands to a solid, or to what is in sight."""

class Near(NamedTuple):
    """What is known about a brick, and room for what is found out about its places.

    Parameters
    ----------
    cones : (10, K) array; the first columns are the cones whose border it meets
    spans : (W, 2) array, first and end column of each way's
    stands : (W, 2) array, how it stands to each way's solid and to what is in sight
    stretches : (W, 2) array, shares of the line from the pivot between which the keep-out is near enough to matter
    least : (W, n) array, distance of each of its places to each way's solid
    seen : (W, n) array, how each place stands to what is in sight
    samples : (4, M) array, one place's samples and their distance to a solid
    held : (M,) array, which of them are held
    distances : (2, K) array; in its first row those of one point to some cones
    """

    cones: Float
    spans: npt.NDArray[np.int64]
    stands: npt.NDArray[np.int64]
    stretches: Float
    least: Float
    seen: npt.NDArray[np.int64]
    samples: Float
    held: Mask
    distances: Float


@njit(cache=True)
def _looked(field: Field, line: Line, radius: float, first: float, last: float) -> int:
    """Is all, none or perhaps some of a ball about a line's end in sight?"""
    sure = radius + SIGHT_SLACK_MM
    sight = _sight_on(field, line, first, last, -sure)
    return OUT if sight < -sure else (IN if sight > sure else BORDER)


@njit(cache=True)
def _list_cones(ways: Ways, w: int, ball: Ball, near: Near, first: int) -> tuple[int, int]:
    """Lists the cones of a way whose border a ball meets; how the ball stands to the solid, and the list's end."""
    x, y, z, radius = ball
    cones, every, distances, begin, end = near.cones, ways.cones, near.distances[0], ways.starts[w], first
    _distances(every, begin, ways.starts[w + 1], x, y, z, near.distances)
    for k in range(ways.starts[w + 1] - begin):
        if distances[k] < -radius:
            return IN, first
        if distances[k] <= radius:
            for row in range(10):
                cones[row, end] = every[row, begin + k]
            end += 1
    return (BORDER if end > first else OUT), end


@njit(cache=True)
def _meet_brick(ways: Ways, field: Field, ball: Ball, half: float, near: Near) -> int:
    """How a brick's ball stands to the region; what is found out about it goes to `near`."""
    x, y, z, radius = ball
    end, whole = 0, OUT
    for w in range(len(ways.pivots_mm)):
        first, solid, seen = end, OUT, OUT
        if _grown_distance(ways.hulls, w, x, y, z) <= radius:
            solid, end = _list_cones(ways, w, ball, near, first)
        if solid != OUT:
            line = _line(field.to_index, ways.pivots_mm, w, x, y, z, 0.0)
            enter, leave = _stretch(field, line, field.berth_mm + radius + half + 2 * SIGHT_SLACK_MM)
            near.stretches[w, 0], near.stretches[w, 1] = enter, leave
            seen = _looked(field, line, radius, enter, leave)
        near.spans[w, 0], near.spans[w, 1] = first, end
        near.stands[w, 0], near.stands[w, 1] = solid, seen
        if solid == IN and seen == IN:
            return IN
        if solid != OUT and seen != OUT:
            whole = BORDER
    return whole


@njit(cache=True)
def _measure_places(points: Float, first: int, end: int, near: Near) -> None:
    """Each place's distance to each way's solid."""
    x, y, z = points[0, first:end], points[1, first:end], points[2, first:end]
    for w in range(len(near.stands)):
        least, stands = near.least[w, :end - first], near.stands[w, 0] if near.stands[w, 1] != OUT else OUT
        least[:] = -np.inf if stands == IN else np.inf
        if stands == BORDER:
            for k in range(near.spans[w, 0], near.spans[w, 1]):
                _lower(near.cones, k, x, y, z, least)


@njit(cache=True)
def _look_from(ways: Ways, field: Field, w: int, bricks: Bricks, first: int, count: int, near: Near) -> None:
    """How each place of a brick, as far as it is not outside a way's solid, stands to what is in sight."""
    points, half, least, seen = bricks.points_mm, bricks.half_mm, near.least, near.seen
    enter, leave, to_index, pivots = near.stretches[w, 0], near.stretches[w, 1], field.to_index, ways.pivots_mm
    stands = near.stands[w, 1]
    for n in range(count):
        seen[w, n] = OUT if least[w, n] > half else stands
        if seen[w, n] == BORDER:
            line = _line(to_index, pivots, w, points[0, first + n], points[1, first + n], points[2, first + n], 0.0)
            seen[w, n] = _looked(field, line, half, enter, leave)


@njit(cache=True)
def _hold_samples(ways: Ways, field: Field, w: int, n: int, ball: Ball, near: Near) -> int:
    """Marks those of a place's samples that a way holds; how many more that makes."""
    x, y, z, deep, held = near.samples[0], near.samples[1], near.samples[2], near.samples[3], near.held
    cones, distances, begin, end, half = near.cones, near.distances[0], near.spans[w, 0], near.spans[w, 1], ball[3]
    deep[:] = -1.0 if near.least[w, n] < -half else np.inf
    if near.least[w, n] >= -half:
        _distances(cones, begin, end, ball[0], ball[1], ball[2], near.distances)
        for k in range(end - begin):
            if distances[k] <= half:
                _lower(cones, begin + k, x, y, z, deep)
    enter, leave, clear = near.stretches[w, 0], near.stretches[w, 1], near.seen[w, n] == IN
    more = 0
    for s in range(len(held)):
        if deep[s] < 0.0 and not held[s]:
            if not clear:
                line = _line(field.to_index, ways.pivots_mm, w, x[s], y[s], z[s], 0.0)
                held[s] = _sight_on(field, line, enter, leave, 0.0) > 0.0
            else:
                held[s] = True
            more += held[s]
    return more


@njit(cache=True)
def _cover_brick(bricks: Bricks, ways: Ways, field: Field, b: int, near: Near, share: Share) -> None:
    """Fill `share` of the places of a brick that lies at the region's border."""
    first, count, half = bricks.starts[b], bricks.starts[b + 1] - bricks.starts[b], bricks.half_mm
    points, offsets, samples, least, seen = bricks.points_mm, bricks.samples_mm, near.samples, near.least, near.seen
    _measure_places(points, first, first + count, near)
    for w in range(len(ways.pivots_mm)):
        _look_from(ways, field, w, bricks, first, count, near)
    for n in range(count):
        whole, part = False, False
        for w in range(len(ways.pivots_mm)):
            whole |= least[w, n] < -half and seen[w, n] == IN
            part |= seen[w, n] != OUT
        if whole:
            share[first + n] = 1.0
        elif part:
            ball = points[0, first + n], points[1, first + n], points[2, first + n], half
            for s in range(samples.shape[1]):
                for axis in range(3):
                    samples[axis, s] = ball[axis] + offsets[axis, s]
            near.held[:] = False
            held = 0
            for w in range(len(ways.pivots_mm)):
                if seen[w, n] != OUT:
                    held += _hold_samples(ways, field, w, n, ball, near)
            share[first + n] = held / samples.shape[1]


@njit(cache=True, nogil=True)
def cover(bricks: Bricks, ways: Ways, field: Field, part: tuple[int, int], share: Share) -> None:
    """Fill `share` (N,), zeros before, with the share of each place that the region holds, for every n-th brick.

    A brick, then a place, whose ball lies wholly on one side of a solid's border or of what is in sight is not asked
    again there; what is left is asked sample by sample.

    Parameters
    ----------
    part : (first brick, step)
    """
    count, most, samples = len(ways.pivots_mm), np.max(np.diff(bricks.starts)), bricks.samples_mm.shape[1]
    near = Near(np.empty((10, ways.cones.shape[1])), np.empty((count, 2), np.int64), np.empty((count, 2), np.int64),
                np.empty((count, 2)), np.empty((count, most)), np.empty((count, most), np.int64),
                np.empty((4, samples)), np.empty(samples, np.bool_), np.empty((2, ways.cones.shape[1])))
    centres, radii, hulls, half = bricks.centres_mm, bricks.radii_mm, ways.hulls, bricks.half_mm
    for b in range(part[0], len(radii), part[1]):
        met = False
        for w in range(count):
            met |= _grown_distance(hulls, w, centres[b, 0], centres[b, 1], centres[b, 2]) <= radii[b]
        if met:
            ball = centres[b, 0], centres[b, 1], centres[b, 2], radii[b]
            stands = _meet_brick(ways, field, ball, half, near)
            if stands == IN:
                share[bricks.starts[b]:bricks.starts[b + 1]] = 1.0
            elif stands == BORDER:
                _cover_brick(bricks, ways, field, b, near, share)


@njit(cache=True, nogil=True)
def resampled(field: Share, start: Float, steps: Float, limits: Float, out: Share) -> None:
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
def resampled_near(field: Share, near: Mask, start: Float, steps: Float, out: Share, lost: Float) -> None:
    """The same only where `out` is not 0 and the sample's cell, told by its first corner, is marked in `near`.

    `lost` (nx,), zeros before, is by how much each plane of `out` falls.
    """
    for x in range(out.shape[0]):
        for y in range(out.shape[1]):
            i0 = start[0] + x * steps[0, 0] + y * steps[1, 0]
            j0 = start[1] + x * steps[0, 1] + y * steps[1, 1]
            k0 = start[2] + x * steps[0, 2] + y * steps[1, 2]
            for z in range(out.shape[2]):
                if out[x, y, z] != 0.0:
                    i, j, k = i0 + z * steps[2, 0], j0 + z * steps[2, 1], k0 + z * steps[2, 2]
                    if near[int(max(i, 0.0)), int(max(j, 0.0)), int(max(k, 0.0))]:
                        value = np.float32(trilinear(field, i, j, k))
                        lost[x] += np.float64(out[x, y, z]) - np.float64(value)
                        out[x, y, z] = value


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
