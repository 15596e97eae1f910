"""Compiled loops over places: how much of each a region holds, decided a brick at a time wherever that can be.

Plain arrays in, plain arrays out, nothing checked. They let other threads run meanwhile, and each place's answer
depends on that place alone.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.geometry.bricks import Bricks
from canalwise.estimator.geometry.cone_arrays import ConeArrays
from canalwise.estimator.geometry.cone_distance import distances_of, grown_distance, lower
from canalwise.estimator.geometry.cone_formulas import SMALLEST_STEP_MM, trilinear
from canalwise.estimator.geometry.line_of_sight import (
    SIGHT_SLACK_MM,
    DistanceFieldArrays,
    Line,
    line_to,
    sight_near_end,
    sight_on,
    stretch_near,
)
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask

Share = npt.NDArray[np.float32]
Places = npt.NDArray[np.int64]
Count = Any
"""A whole number of the compiler's own kind, counted on from np.int64(0): a plain 0 is of a kind of its own."""

Ball = tuple[float, float, float, float]
"""Middle and radius, mm."""


@njit(cache=True, nogil=True)
def held(paths: ConeArrays, field: DistanceFieldArrays, points: Float, out: Mask) -> None:
    """Fill `out` (N,): does any path hold the (N, 3) point, in sight of its pivot?"""
    distances = np.empty((2, paths.cones.shape[1]))
    hulls, cones, starts, pivots, nearest = paths.hulls, paths.cones, paths.starts, paths.pivots_mm, distances[0]
    for n in range(len(points)):
        x, y, z = points[n, 0], points[n, 1], points[n, 2]
        out[n] = False
        for w in range(len(pivots)):
            least = np.inf
            if not out[n] and grown_distance(hulls, w, x, y, z) < 0.0:
                distances_of(cones, starts[w], starts[w + 1], x, y, z, distances)
                for k in range(starts[w + 1] - starts[w]):
                    least = min(least, nearest[k])
            if least < 0.0:
                line = line_to(field.to_index, pivots, w, x, y, z, 0.0)
                out[n] = sight_near_end(field, line, 0.0, 0.0) > 0.0


OUT, BORDER, IN = 0, 1, 2
"""How a ball stands to a solid, or to what is in sight."""


class BrickScratch(NamedTuple):
    """What is known about a brick, and room for what is found out about its places.

    Parameters
    ----------
    cones : (10, K) array; the first columns are the cones whose border it meets
    spans : (W, 2) array, first and end column of each path's
    stands : (W, 2) array, how it stands to each path's solid and to what is in sight
    stretches : (W, 2) array, shares of the line from the pivot between which the keep-out is near enough to matter
    least : (W, n) array, distance of each of its places to each path's solid
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
def _looked(field: DistanceFieldArrays, line: Line, radius: float, first: float, last: float) -> int:
    """Is all, none or perhaps some of a ball about a line's end in sight? Looks from share `first` to `last` of it."""
    clear, blocked = (
        field.clearance_radius_mm + radius + SIGHT_SLACK_MM,
        field.clearance_radius_mm - radius - SIGHT_SLACK_MM,
    )
    si, sj, sk, wi, wj, wk, length = line
    seen, t = IN, first
    while t <= last:
        value = trilinear(field.distance_mm, si + t * wi, sj + t * wj, sk + t * wk)
        if value < blocked:
            return OUT
        if value <= clear:
            seen = BORDER
        if t == last:
            break
        t = min(last, t + max(value - clear, SMALLEST_STEP_MM) / length)
    return seen


@njit(cache=True)
def _list_cones(paths: ConeArrays, w: int, ball: Ball, near: BrickScratch, first: Count) -> tuple[int, Count]:
    """Lists the cones of a path whose border a ball meets; how the ball stands to the solid, and the list's end."""
    x, y, z, radius = ball
    cones, every, distances, begin, end = near.cones, paths.cones, near.distances[0], paths.starts[w], first
    distances_of(every, begin, paths.starts[w + 1], x, y, z, near.distances)
    for k in range(paths.starts[w + 1] - begin):
        if distances[k] < -radius:
            return IN, first
        if distances[k] <= radius:
            for row in range(10):
                cones[row, end] = every[row, begin + k]
            end += 1
    return (BORDER if end > first else OUT), end


@njit(cache=True)
def _meet_brick(paths: ConeArrays, field: DistanceFieldArrays, ball: Ball, half: float, near: BrickScratch) -> int:
    """How a brick's ball stands to the region; what is found out about it goes to `near`."""
    x, y, z, radius = ball
    whole = OUT
    end: Count = np.int64(0)
    for w in range(len(paths.pivots_mm)):
        first, solid, seen = end, OUT, OUT
        # one cone about the whole path tells most bricks from it, before its own cones are looked at
        if grown_distance(paths.hulls, w, x, y, z) <= radius:
            solid, end = _list_cones(paths, w, ball, near, first)
        if solid != OUT:
            line = line_to(field.to_index, paths.pivots_mm, w, x, y, z, 0.0)
            enter, leave = stretch_near(field, line, field.clearance_radius_mm + radius + half + 2 * SIGHT_SLACK_MM)
            near.stretches[w, 0], near.stretches[w, 1] = enter, leave
            seen = _looked(field, line, radius, enter, leave)
        near.spans[w, 0], near.spans[w, 1] = first, end
        near.stands[w, 0], near.stands[w, 1] = solid, seen
        # one path that holds all of a brick is enough: no other is looked at
        if solid == IN and seen == IN:
            return IN
        if solid != OUT and seen != OUT:
            whole = BORDER
    return whole


@njit(cache=True)
def _measure_places(points: Float, first: int, end: int, near: BrickScratch) -> None:
    """Each place's distance to each path's solid."""
    x, y, z = points[0, first:end], points[1, first:end], points[2, first:end]
    for w in range(len(near.stands)):
        least, stands = near.least[w, : end - first], near.stands[w, 0] if near.stands[w, 1] != OUT else OUT
        least[:] = -np.inf if stands == IN else np.inf
        if stands == BORDER:
            for k in range(near.spans[w, 0], near.spans[w, 1]):
                lower(near.cones, k, x, y, z, least)


@njit(cache=True)
def _look_from(
    paths: ConeArrays, field: DistanceFieldArrays, w: int, bricks: Bricks, first: int, count: int, near: BrickScratch
) -> None:
    """How each place of a brick, as far as it is not outside a path's solid, stands to what is in sight."""
    points, half, least, seen = bricks.points_mm, bricks.half_mm, near.least, near.seen
    enter, leave, to_index, pivots = near.stretches[w, 0], near.stretches[w, 1], field.to_index, paths.pivots_mm
    stands = near.stands[w, 1]
    for n in range(count):
        seen[w, n] = OUT if least[w, n] > half else stands
        if seen[w, n] == BORDER:
            line = line_to(to_index, pivots, w, points[0, first + n], points[1, first + n], points[2, first + n], 0.0)
            seen[w, n] = _looked(field, line, half, enter, leave)


@njit(cache=True)
def _hold_samples(paths: ConeArrays, field: DistanceFieldArrays, w: int, n: int, ball: Ball, near: BrickScratch) -> int:
    """Marks those of a place's samples that a path holds; how many more that makes."""
    x, y, z, deep, held = near.samples[0], near.samples[1], near.samples[2], near.samples[3], near.held
    cones, distances, begin, end, half = near.cones, near.distances[0], near.spans[w, 0], near.spans[w, 1], ball[3]
    deep[:] = -1.0 if near.least[w, n] < -half else np.inf
    if near.least[w, n] >= -half:
        distances_of(cones, begin, end, ball[0], ball[1], ball[2], near.distances)
        for k in range(end - begin):
            if distances[k] <= half:
                lower(cones, begin + k, x, y, z, deep)
    enter, leave, clear = near.stretches[w, 0], near.stretches[w, 1], near.seen[w, n] == IN
    more = 0
    for s in range(len(held)):
        if deep[s] < 0.0 and not held[s]:
            if not clear:
                line = line_to(field.to_index, paths.pivots_mm, w, x[s], y[s], z[s], 0.0)
                held[s] = sight_on(field, line, enter, leave, 0.0) > 0.0
            else:
                held[s] = True
            more += held[s]
    return more


@njit(cache=True)
def _cover_brick(
    bricks: Bricks,
    paths: ConeArrays,
    field: DistanceFieldArrays,
    b: int,
    near: BrickScratch,
    places: Places,
    share: Share,
    end: Count,
) -> Count:
    """Lists the places held of a brick that lies at the region's border; the list's new end."""
    first, count, half = bricks.starts[b], bricks.starts[b + 1] - bricks.starts[b], bricks.half_mm
    points, offsets, samples, least, seen = bricks.points_mm, bricks.samples_mm, near.samples, near.least, near.seen
    _measure_places(points, first, first + count, near)
    for w in range(len(paths.pivots_mm)):
        _look_from(paths, field, w, bricks, first, count, near)
    for n in range(count):
        whole, part = False, False
        for w in range(len(paths.pivots_mm)):
            whole |= least[w, n] < -half and seen[w, n] == IN
            part |= seen[w, n] != OUT
        held = samples.shape[1] if whole else 0
        if part and not whole:
            ball = points[0, first + n], points[1, first + n], points[2, first + n], half
            for s in range(samples.shape[1]):
                for axis in range(3):
                    samples[axis, s] = ball[axis] + offsets[axis, s]
            near.held[:] = False
            for w in range(len(paths.pivots_mm)):
                if seen[w, n] != OUT:
                    held += _hold_samples(paths, field, w, n, ball, near)
        if held > 0:
            places[end], share[end] = first + n, held / samples.shape[1]
            end += 1
    return end


def bricks_near(bricks: Bricks, paths: ConeArrays) -> npt.NDArray[np.intp]:
    """Numbers of the bricks in a box about all paths: no other can lie in the region.

    Parameters
    ----------
    bricks : B of them
    paths : pivots and cones of the region, RAS mm

    Returns
    -------
    some : (M,) array, rising numbers of bricks, 0 to B - 1
    """
    cones = paths.cones
    if not cones.shape[1]:
        return np.zeros(0, dtype=np.intp)
    ends, wide = cones[:3] + cones[3:6] * cones[6], cones[7] + cones[9]
    low = np.minimum(cones[:3] - wide, ends - wide).min(axis=1)
    high = np.maximum(cones[:3] + wide, ends + wide).max(axis=1)
    radii = bricks.radii_mm[:, None]
    return np.flatnonzero(((bricks.centres_mm + radii >= low) & (bricks.centres_mm - radii <= high)).all(axis=1))


@njit(cache=True, nogil=True)
def cover(
    bricks: Bricks,
    paths: ConeArrays,
    field: DistanceFieldArrays,
    some: npt.NDArray[np.intp],
    places: Places,
    share: Share,
) -> int:
    """Lists in `places` those that the region holds, wholly or in part, and in `share` how much of each; their number.

    `some` are the numbers of the bricks looked at; the others have room for all N. A brick, then a place, whose ball
    lies wholly on one side of a solid's border or of what is in sight is not tested again there; what is left is tested
    sample by sample.

    Parameters
    ----------
    some : (M,) array, numbers of the bricks looked at
    places : (N,) array, filled from its start with numbers of places, as in `Bricks.points_mm`
    share : (N,) array, filled beside it, 0 to 1

    Returns
    -------
    count : how many were listed
    """
    count, samples = len(paths.pivots_mm), bricks.samples_mm.shape[1]
    most: Count = np.int64(0)
    end: Count = np.int64(0)
    for b in range(len(bricks.radii_mm)):
        most = max(most, bricks.starts[b + 1] - bricks.starts[b])
    near = BrickScratch(
        np.empty((10, paths.cones.shape[1])),
        np.empty((count, 2), np.int64),
        np.empty((count, 2), np.int64),
        np.empty((count, 2)),
        np.empty((count, most)),
        np.empty((count, most), np.int64),
        np.empty((4, samples)),
        np.empty(samples, np.bool_),
        np.empty((2, paths.cones.shape[1])),
    )
    centres, radii, hulls, half = bricks.centres_mm, bricks.radii_mm, paths.hulls, bricks.half_mm
    for b in some:
        met = False
        for w in range(count):
            met |= grown_distance(hulls, w, centres[b, 0], centres[b, 1], centres[b, 2]) <= radii[b]
        if met:
            ball = centres[b, 0], centres[b, 1], centres[b, 2], radii[b]
            stands = _meet_brick(paths, field, ball, half, near)
            if stands == BORDER:
                end = _cover_brick(bricks, paths, field, b, near, places, share, end)
            for n in range(bricks.starts[b], bricks.starts[b + 1] if stands == IN else 0):
                places[end], share[end] = n, 1.0
                end += 1
    return end
