"""What stands between an instrument's tunnels and is narrower than the instrument: a burr takes it with them.

A point goes when no ball of a given radius holds it and is clear of every tunnel: the morphological closing of the
tunnels (Serra, Image Analysis and Mathematical Morphology, 1982). More tunnels never close less. With M the greatest
distance to the tunnels of any point within the radius of it, a point goes where M is less than the radius; beside a
single flat wall their difference is the distance from the wall, so borders are not stepped.

M is looked for away from the nearest tunnels, along directions that are their own mirror images, and then
closer and closer about the best of these.
"""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.geometry.bricks import Bricks
from canalwise.estimator.geometry.cone_arrays import ConeArrays
from canalwise.estimator.geometry.cone_distance import grown_distance
from canalwise.estimator.geometry.coverage import bricks_near
from canalwise.estimator.geometry.region_protocol import Covered
from canalwise.recon.grid import Float

Numbers = Any
"""An array of any kind of number; the compiler makes a version for each."""

DIRECTIONS = np.array([np.array(d) / np.linalg.norm(d) for d in product((-1, 0, 1), repeat=3) if any(d)], dtype=float)
"""(26, 3) array of unit vectors, the same for the mirror image in each plane of the axes."""

AWAY = 6
"""Steps away from the nearest tunnel and from those met in turn, before all directions are tried."""

TURNS_RAD = (0.3, 0.2, 0.1, 0.05)
"""How far about the best direction is looked further, round after round. Of what is closed this and the directions
leave 3 % too much, against four times as many of either, on two plans."""

HALF_EDGE_OF_HALF_MM = 3**0.5 / 2
"""Half of a voxel's edge, of the distance from its middle to its outermost sample (`Bricks.half_mm`)."""

LEAST_SHARE = 1e-3
"""A place of which less is taken keeps it: rounding, not bone."""


def with_narrow_gaps(
    covered: Covered, bricks: Bricks, tunnels: ConeArrays, radius_mm: float, directions: Float
) -> Covered:
    """What tunnels hold of some places, and what stands between them and is narrower than a ball.

    Parameters
    ----------
    covered : by the tunnels alone
    directions : (D, 3) array, RAS unit vectors, along which balls are looked for
    """
    if radius_mm <= 0 or tunnels.cones.shape[1] < 2 or not len(bricks.order):
        return covered
    share = np.zeros(len(bricks.order), dtype=np.float32)
    share[covered.places] = covered.share
    soft = max(HALF_EDGE_OF_HALF_MM * bricks.half_mm, 1e-6)
    _close(bricks, tunnels, bricks_near(bricks, tunnels), (radius_mm, soft), directions, np.array(TURNS_RAD), share)
    places = np.flatnonzero(share)
    return Covered(places, share[places])


@njit(cache=True, nogil=True)
def _close(
    bricks: Bricks,
    tunnels: ConeArrays,
    some_bricks: npt.NDArray[np.intp],
    sizes: tuple[float, float],
    directions: Float,
    turns: Float,
    share: npt.NDArray[np.float32],
) -> None:
    """Raises the shares of places between tunnels; the closing of a region lies in the box about it."""
    radius, soft = sizes
    cones, hulls, starts = tunnels.cones, tunnels.hulls, tunnels.starts
    count = cones.shape[1]
    near = np.empty(count, dtype=np.int64)
    mine, apart = np.empty(count, dtype=np.int64), np.empty(count)
    for b in some_bricks:
        x, y, z, wide = bricks.centres_mm[b, 0], bricks.centres_mm[b, 1], bricks.centres_mm[b, 2], bricks.radii_mm[b]
        end, least = 0, np.inf
        for w in range(len(starts) - 1):
            if grown_distance(hulls, w, x, y, z) < 2 * radius + wide:
                for k in range(starts[w], starts[w + 1]):
                    away = grown_distance(cones, k, x, y, z)
                    if away < 2 * radius + wide:
                        near[end] = k
                        end += 1
                        least = min(least, away)
        if end < 2 or least >= radius + wide or least < -wide:
            continue
        for n in range(bricks.starts[b], bricks.starts[b + 1]):
            if share[n] >= 1.0:
                continue
            x, y, z = bricks.points_mm[0, n], bricks.points_mm[1, n], bricks.points_mm[2, n]
            some = 0
            for e in range(end):
                away = grown_distance(cones, near[e], x, y, z)
                if away < 2 * radius:
                    # the nearest first, so that most balls are found to meet something at once
                    place = some
                    while place > 0 and apart[place - 1] > away:
                        mine[place], apart[place] = mine[place - 1], apart[place - 1]
                        place -= 1
                    mine[place], apart[place] = near[e], away
                    some += 1
            if some < 2 or apart[0] >= radius or apart[0] <= -soft:
                continue
            widest = _widest(cones, mine[:some], (x, y, z), (radius, soft), directions, turns)
            within = min(max(0.5 + (radius - widest) / (2 * soft), 0.0), 1.0)
            # what lies within the tunnels themselves is counted already, and more closely: sample by sample
            if within > LEAST_SHARE + min(max(0.5 - apart[0] / (2 * soft), 0.0), 1.0):
                share[n] = max(share[n], np.float32(within))


@njit(cache=True)
def _clear(cones: Float, mine: Numbers, x: float, y: float, z: float, enough: float) -> tuple[float, int]:
    """Distance of a point to the nearest of some cones, and which; no further looked than to where it is `enough`."""
    least, nearest = np.inf, 0
    for e in range(len(mine)):
        away = grown_distance(cones, mine[e], x, y, z)
        if away < least:
            least, nearest = away, e
            if least <= enough:
                break
    return least, nearest


@njit(cache=True)
def _slope(cones: Float, k: int, x: float, y: float, z: float) -> tuple[float, float, float]:
    """Unit vector straight away from a cone."""
    step = 1e-3
    u = grown_distance(cones, k, x + step, y, z) - grown_distance(cones, k, x - step, y, z)
    v = grown_distance(cones, k, x, y + step, z) - grown_distance(cones, k, x, y - step, z)
    w = grown_distance(cones, k, x, y, z + step) - grown_distance(cones, k, x, y, z - step)
    length = max(np.sqrt(u * u + v * v + w * w), 1e-12)
    return u / length, v / length, w / length


@njit(cache=True)
def _widest(
    cones: Float,
    mine: Numbers,
    point: tuple[float, float, float],
    sizes: tuple[float, float],
    directions: Float,
    turns: Float,
) -> float:
    """Greatest distance to the cones within a radius of a point; once it is seen to hold no share, no longer sought."""
    x, y, z = point
    radius, soft = sizes
    best, _ = _clear(cones, mine, x, y, z, -np.inf)
    u, v, w = _slope(cones, mine[0], x, y, z)
    a, b, c = u, v, w
    # away from the nearest cone, and from those that this leads to
    for _ in range(AWAY):
        clear, met = _clear(cones, mine, x + radius * a, y + radius * b, z + radius * c, -np.inf)
        if clear > best:
            best, u, v, w = clear, a, b, c
        if best >= radius + soft:
            return best
        i, j, k = _slope(cones, mine[met], x + radius * a, y + radius * b, z + radius * c)
        push = (radius + soft - clear) / radius
        a, b, c = a + push * i, b + push * j, c + push * k
        length = max(np.sqrt(a * a + b * b + c * c), 1e-12)
        a, b, c = a / length, b / length, c / length
    for d in range(len(directions)):
        if best >= radius + soft:
            return best
        a, b, c = directions[d, 0], directions[d, 1], directions[d, 2]
        clear, _ = _clear(cones, mine, x + radius * a, y + radius * b, z + radius * c, best)
        if clear > best:
            best, u, v, w = clear, a, b, c
    for turn in turns:
        for axis in range(6):
            sign = turn if axis % 2 == 0 else -turn
            a, b, c = u + sign * (axis // 2 == 0), v + sign * (axis // 2 == 1), w + sign * (axis // 2 == 2)
            length = np.sqrt(a * a + b * b + c * c)
            a, b, c = a / length, b / length, c / length
            clear, _ = _clear(cones, mine, x + radius * a, y + radius * b, z + radius * c, best)
            if clear > best:
                best, u, v, w = clear, a, b, c
    return best
