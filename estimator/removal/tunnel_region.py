"""The part of space that round tunnels hollow out, and what stands between them and is narrower than the burr.

Straight tunnels with round ends, held at their full length: nothing is looked at past them. A place's share is counted
sample by sample where a tunnel's wall passes through it.

A point between tunnels goes when no ball of a given radius holds it and is clear of every tunnel: the morphological
closing of the tunnels (Serra, Image Analysis and Mathematical Morphology, 1982). More tunnels never close less. With M
the greatest distance to the tunnels of any point within the radius of it, a point goes where M is less than the radius;
beside a single flat wall their difference is the distance from the wall, so borders are not stepped. M is looked for
away from the nearest tunnels, along directions that are their own mirror images, and closer and closer about the best.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from itertools import product
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.geometry.bricks import Bricks, bricks_of_points
from canalwise.estimator.geometry.region_protocol import Covered
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask

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

LEAST_SHARE = 0.02
"""A place of which less goes with the tunnels keeps it: rounding, not bone."""


class TunnelArrays(NamedTuple):
    """K tunnels, RAS mm.

    Parameters
    ----------
    starts_mm, axes : (3, K) arrays, where each begins and the unit vector along it
    lengths_mm, radii_mm : (K,) arrays
    """

    starts_mm: Float
    axes: Float
    lengths_mm: Float
    radii_mm: Float

    @staticmethod
    def between(starts_mm: Float, ends_mm: Float, radii_mm: npt.ArrayLike) -> TunnelArrays:
        """Tunnels from (K, 3) points to (K, 3) others.

        >>> tunnels = TunnelArrays.between(np.zeros((1, 3)), np.array([[0.0, 0.0, 5.0]]), 2.0)
        >>> tunnels.axes.ravel().tolist(), tunnels.lengths_mm.tolist(), tunnels.radii_mm.tolist()
        ([0.0, 0.0, 1.0], [5.0], [2.0])
        """
        path = ends_mm - starts_mm
        length = np.sqrt((path**2).sum(axis=1))
        axes = path / np.maximum(length, 1e-9)[:, None]
        radii = np.ascontiguousarray(np.broadcast_to(np.asarray(radii_mm, dtype=float), length.shape))
        return TunnelArrays(np.ascontiguousarray(starts_mm.T), np.ascontiguousarray(axes.T), length, radii)

    def joined(self, other: TunnelArrays) -> TunnelArrays:
        """Both."""
        return TunnelArrays(*(np.concatenate([a, b], axis=-1) for a, b in zip(self, other, strict=True)))


class TunnelRegion(ABC):
    """What lies in tunnels or between them."""

    @property
    @abstractmethod
    def tunnels(self) -> TunnelArrays:
        """The tunnels."""

    @property
    def gap_radius_mm(self) -> float:
        """Of the largest ball that does not fit where what stands between tunnels goes with them; 0 where all stays."""
        return 0.0

    @property
    def gap_directions(self) -> Float:
        """(D, 3) array, RAS unit vectors along which balls are looked for."""
        return DIRECTIONS

    def covered(self, bricks: Bricks) -> Covered:
        """Share of each place that lies inside."""
        return self._covered(bricks, self.gap_radius_mm)

    def in_tunnels(self, bricks: Bricks) -> Covered:
        """Share of each place that lies in a tunnel itself."""
        return self._covered(bricks, 0.0)

    def holds(self, points_mm: Float) -> Mask:
        """(N,) array: is each (N, 3) RAS point inside?"""
        bricks = bricks_of_points(points_mm)
        out = np.zeros(len(points_mm), dtype=bool)
        out[bricks.order[self.covered(bricks).places]] = True
        return out

    def _covered(self, bricks: Bricks, radius_mm: float) -> Covered:
        count, tunnels = len(bricks.order), self.tunnels
        places, share = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.float32)
        if not count or not len(tunnels.lengths_mm):
            return Covered(places[:0], share[:0])
        soft = max(HALF_EDGE_OF_HALF_MM * bricks.half_mm, 1e-6)
        how = np.array([radius_mm, soft]), np.array(TURNS_RAD), np.ascontiguousarray(self.gap_directions)
        end = _cover(bricks, tunnels, how, places, share)
        return Covered(places[:end], share[:end])


@njit(cache=True)
def _squared(tunnels: TunnelArrays, k: int, x: float, y: float, z: float) -> float:
    """Squared distance of a point to a tunnel's axis."""
    wx, wy, wz = x - tunnels.starts_mm[0, k], y - tunnels.starts_mm[1, k], z - tunnels.starts_mm[2, k]
    s = wx * tunnels.axes[0, k] + wy * tunnels.axes[1, k] + wz * tunnels.axes[2, k]
    t = min(max(s, 0.0), tunnels.lengths_mm[k])
    # |w - t a|^2 about a unit axis a with s = w . a: one root fewer for each of very many pairs
    return wx * wx + wy * wy + wz * wz - t * (2.0 * s - t)


@njit(cache=True)
def _off(tunnels: TunnelArrays, k: int, x: float, y: float, z: float) -> float:
    """Signed distance of a point to a tunnel's wall, negative inside."""
    return np.sqrt(max(_squared(tunnels, k, x, y, z), 0.0)) - tunnels.radii_mm[k]


@njit(cache=True)
def _box(tunnels: TunnelArrays) -> Float:
    """(2, 3) array: the least and the greatest coordinates of any point of the tunnels."""
    out = np.empty((2, 3))
    for axis in range(3):
        out[0, axis], out[1, axis] = np.inf, -np.inf
        for k in range(len(tunnels.lengths_mm)):
            a = tunnels.starts_mm[axis, k]
            b, r = a + tunnels.lengths_mm[k] * tunnels.axes[axis, k], tunnels.radii_mm[k]
            out[0, axis], out[1, axis] = min(out[0, axis], a - r, b - r), max(out[1, axis], a + r, b + r)
    return out


@njit(cache=True, nogil=True)
def _cover(bricks: Bricks, tunnels: TunnelArrays, how: Numbers, places: Numbers, share: npt.NDArray[np.float32]) -> int:
    """Lists the places held, wholly or in part, and how much of each; their number.

    The closing of a region lies in the box about it, so bricks beyond that box hold none of it.
    """
    sizes, turns, directions = how
    radius, soft, half = sizes[0], sizes[1], bricks.half_mm
    count, samples = len(tunnels.lengths_mm), bricks.samples_mm
    near, off = np.empty(count, dtype=np.int64), np.empty(count)
    mine, apart, held = np.empty(count, dtype=np.int64), np.empty(count), np.empty(samples.shape[1], dtype=np.bool_)
    box, end = _box(tunnels), 0
    for b in range(len(bricks.radii_mm)):
        x, y, z, wide = bricks.centres_mm[b, 0], bricks.centres_mm[b, 1], bricks.centres_mm[b, 2], bricks.radii_mm[b]
        if (
            x + wide < box[0, 0] or x - wide > box[1, 0] or y + wide < box[0, 1] or y - wide > box[1, 1]
            or z + wide < box[0, 2] or z - wide > box[1, 2]
        ):  # fmt: skip
            continue
        some, least, beyond = 0, np.inf, 2 * radius + wide
        for k in range(count):
            away = tunnels.radii_mm[k] + beyond
            squared = _squared(tunnels, k, x, y, z)
            if squared < away * away:
                near[some] = k
                some += 1
                least = min(least, np.sqrt(max(squared, 0.0)) - tunnels.radii_mm[k])
        if some == 0 or least > max(radius, 0.0) + wide:
            continue
        for n in range(bricks.starts[b], bricks.starts[b + 1]):
            if least < -wide:
                places[end], share[end] = n, 1.0
                end += 1
                continue
            x, y, z = bricks.points_mm[0, n], bricks.points_mm[1, n], bricks.points_mm[2, n]
            nearest, close = np.inf, 0
            for e in range(some):
                off[e] = _off(tunnels, near[e], x, y, z)
                nearest = min(nearest, off[e])
                close += off[e] < 2 * radius
            part = 0.0
            if nearest < -half:
                part = 1.0
            elif nearest <= half:
                part = _part(tunnels, near[:some], off, samples, (x, y, z, half), held)
            if radius > 0.0 and part < 1.0 and close > 1 and -soft < nearest < radius:
                close = 0
                for e in range(some):
                    if off[e] < 2 * radius:
                        _place(near[e], off[e], mine, apart, close)
                        close += 1
                # what lies within the tunnels themselves is counted already, and more closely: sample by sample
                alone = max(0.5 - nearest / (2 * soft), 0.0)
                enough = radius - 2 * soft * (alone + LEAST_SHARE - 0.5)
                widest = _widest(tunnels, mine[:close], (x, y, z), (radius, enough), directions, turns)
                within = min(max(0.5 + (radius - widest) / (2 * soft), 0.0), 1.0)
                if within > alone + LEAST_SHARE:
                    part = max(part, within)
            if part > 0.0:
                places[end], share[end] = n, part
                end += 1
    return end


@njit(cache=True)
def _part(
    tunnels: TunnelArrays,
    near: Numbers,
    off: Float,
    samples: Float,
    ball: tuple[float, float, float, float],
    held: Mask,
) -> float:
    """Share of a place's samples that lie in tunnels whose walls pass through it, or that hold all of it."""
    x, y, z, half = ball
    held[:] = False
    more, count = 0, len(held)
    for e in range(len(near)):
        if off[e] <= half:
            for s in range(count):
                if not held[s] and _off(tunnels, near[e], x + samples[0, s], y + samples[1, s], z + samples[2, s]) < 0:
                    held[s] = True
                    more += 1
    return more / count


@njit(cache=True)
def _place(k: int, away: float, mine: Numbers, apart: Float, count: int) -> None:
    """Puts a tunnel among those listed so far, the nearest first, so that most balls are found to meet one at once."""
    place = count
    while place > 0 and apart[place - 1] > away:
        mine[place], apart[place] = mine[place - 1], apart[place - 1]
        place -= 1
    mine[place], apart[place] = k, away


@njit(cache=True)
def _clear(tunnels: TunnelArrays, mine: Numbers, x: float, y: float, z: float, enough: float) -> tuple[float, int]:
    """Distance of a point to the nearest of some, and which; no further looked than to where it is `enough`."""
    least, nearest = np.inf, 0
    for e in range(len(mine)):
        away = _off(tunnels, mine[e], x, y, z)
        if away < least:
            least, nearest = away, e
            if least <= enough:
                break
    return least, nearest


@njit(cache=True)
def _slope(tunnels: TunnelArrays, k: int, x: float, y: float, z: float) -> tuple[float, float, float]:
    """Unit vector straight away from a tunnel's axis."""
    wx, wy, wz = x - tunnels.starts_mm[0, k], y - tunnels.starts_mm[1, k], z - tunnels.starts_mm[2, k]
    u, v, w = tunnels.axes[0, k], tunnels.axes[1, k], tunnels.axes[2, k]
    t = min(max(wx * u + wy * v + wz * w, 0.0), tunnels.lengths_mm[k])
    wx, wy, wz = wx - t * u, wy - t * v, wz - t * w
    length = max(np.sqrt(wx * wx + wy * wy + wz * wz), 1e-12)
    return wx / length, wy / length, wz / length


@njit(cache=True)
def _widest(
    tunnels: TunnelArrays,
    mine: Numbers,
    point: tuple[float, float, float],
    sizes: tuple[float, float],
    directions: Float,
    turns: Float,
) -> float:
    """Greatest distance to tunnels within a radius of a point; sought no longer once it is `enough`."""
    x, y, z = point
    radius, enough = sizes
    best = _off(tunnels, mine[0], x, y, z)
    u, v, w = _slope(tunnels, mine[0], x, y, z)
    a, b, c = u, v, w
    # away from the nearest tunnel, and from those that this leads to
    for _ in range(AWAY):
        p, q, r = x + radius * a, y + radius * b, z + radius * c
        clear, met = _clear(tunnels, mine, p, q, r, best)
        if clear > best:
            best, u, v, w = clear, a, b, c
        if best >= enough:
            return best
        i, j, k = _slope(tunnels, mine[met], p, q, r)
        push = (enough - clear) / radius
        a, b, c = a + push * i, b + push * j, c + push * k
        length = max(np.sqrt(a * a + b * b + c * c), 1e-12)
        a, b, c = a / length, b / length, c / length
    for d in range(len(directions)):
        if best >= enough:
            return best
        a, b, c = directions[d, 0], directions[d, 1], directions[d, 2]
        clear, _ = _clear(tunnels, mine, x + radius * a, y + radius * b, z + radius * c, best)
        if clear > best:
            best, u, v, w = clear, a, b, c
    for turn in turns:
        for axis in range(6):
            if best >= enough:
                return best
            sign = turn if axis % 2 == 0 else -turn
            a, b, c = u + sign * (axis // 2 == 0), v + sign * (axis // 2 == 1), w + sign * (axis // 2 == 2)
            length = np.sqrt(a * a + b * b + c * c)
            a, b, c = a / length, b / length, c / length
            clear, _ = _clear(tunnels, mine, x + radius * a, y + radius * b, z + radius * c, best)
            if clear > best:
                best, u, v, w = clear, a, b, c
    return best
