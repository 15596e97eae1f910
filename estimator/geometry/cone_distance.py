"""Compiled distances to grown cones: of one place to many cones, and of many places to one."""

from __future__ import annotations

import numpy as np
from numba import njit

from canalwise.estimator.geometry.cone_formulas import cone_distance
from canalwise.recon.grid import Float

MANY_CONES = 24
"""From so many on, distances to cones are worked out several at once."""


@njit(cache=True, inline="always")
def grown_distance(cones: Float, k: int, x: float, y: float, z: float) -> float:
    """Signed distance of a point to one grown cone.

    `cones` (10, M) array as in `ConeArrays`, mm; `k` the cone; x, y, z the point in the same frame.
    """
    wx, wy, wz = x - cones[0, k], y - cones[1, k], z - cones[2, k]
    t = wx * cones[3, k] + wy * cones[4, k] + wz * cones[5, k]
    rho = np.sqrt(max(wx * wx + wy * wy + wz * wz - t * t, 0.0))
    return cone_distance(t, rho, cones[6, k], cones[7, k], cones[8, k]) - cones[9, k]


@njit(cache=True)
def lower(cones: Float, k: int, x: Float, y: Float, z: Float, least: Float) -> None:
    """Lower `least` (n,) to the distance of each point to one grown cone; written so that several are done at once."""
    ax, ay, az, ux, uy, uz = cones[0, k], cones[1, k], cones[2, k], cones[3, k], cones[4, k], cones[5, k]
    length, base, inverse, radius = cones[6, k], cones[7, k], cones[8, k], cones[9, k]
    for n in range(len(least)):
        wx, wy, wz = x[n] - ax, y[n] - ay, z[n] - az
        t = wx * ux + wy * uy + wz * uz
        rho = np.sqrt(max(wx * wx + wy * wy + wz * wz - t * t, 0.0))
        least[n] = min(least[n], cone_distance(t, rho, length, base, inverse) - radius)


@njit(cache=True)
def distances_of(cones: Float, first: int, end: int, x: float, y: float, z: float, out: Float) -> None:
    """Fill the first row of `out` (2, K) with a point's distances to the cones first:end.

    Of many by three loops, each over few enough arrays that several cones are done at once.
    """
    if end - first < MANY_CONES:
        for k in range(first, end):
            out[0, k - first] = grown_distance(cones, k, x, y, z)
        return
    ax, ay, az = cones[0, first:end], cones[1, first:end], cones[2, first:end]
    ux, uy, uz = cones[3, first:end], cones[4, first:end], cones[5, first:end]
    length, base, inverse, radius = cones[6, first:end], cones[7, first:end], cones[8, first:end], cones[9, first:end]
    distance, t = out[0, : end - first], out[1, : end - first]
    for k in range(len(t)):
        t[k] = (x - ax[k]) * ux[k] + (y - ay[k]) * uy[k] + (z - az[k]) * uz[k]
    for k in range(len(t)):
        distance[k] = (x - ax[k]) * (x - ax[k]) + (y - ay[k]) * (y - ay[k]) + (z - az[k]) * (z - az[k])
    for k in range(len(t)):
        rho = np.sqrt(max(distance[k] - t[k] * t[k], 0.0))
        distance[k] = cone_distance(t[k], rho, length[k], base[k], inverse[k]) - radius[k]


@njit(cache=True, nogil=True)
def least_distances(cones: Float, points: Float, out: Float) -> None:
    """Fill `out` (N,) with the least signed distance of each (3, N) point to any of the (10, K) grown cones.

    >>> line = np.array([[0.0, 0, 0, 0, 0, 1, 10, 0, 0.01, 2]]).T  # 10 mm along z, 2 mm thick
    >>> out = np.empty(2)
    >>> least_distances(line, np.array([[5.0, 0.0], [0.0, 0.0], [5.0, 13.0]]), out)
    >>> out.tolist()
    [3.0, 1.0]
    """
    out[:] = np.inf
    for k in range(cones.shape[1]):
        lower(cones, k, points[0], points[1], points[2], out)
