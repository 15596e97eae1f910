"""The canal's wall as a radius over station and angle: bone where a ray meets it, a smooth surface elsewhere.

Rays leave the centreline in the plane across it. A hit is taken for the wall when it continues the
wall around it; a ray that escapes through a foramen, an interlaminar window or a disc is not. There the
wall is a stiff membrane that joins the bony rims, nearly straight across the canal as ligament is, and never bulging
beyond them.

Method:

1. The canal is unrolled: a radius r over station and angle, periodic in the angle; hits are the data, weight 1 or 0.
2. r minimises  sum w (r - hit)^2 + a (|grad r|^2 + 2 r rest) + b (laplace r - rest)^2:  a membrane with some of a plate
   (a smoothing spline on a cylinder), which without data takes laplace r = rest. `rest` is what a straight wall has in
   polar form, r'' = r + 2 r'^2 / r, so that the membrane spans flat from rim to rim and does not bow out as an arc
   about the centreline would.
3. The minimum is one linear system over all cells; its matrix is symmetric, positive and, numbered station by station,
   banded.
4. Weights are set anew in rounds (iteratively reweighted least squares, lopsided): a hit outside the wall by more than
   the tolerance belongs to something behind a window and loses its say; one inside pulls three times as hard, for bone
   that stands into the canal is wall.
5. The start is the near quartile of the hits along one vertebral period: over that length every direction meets bone.
   The set of accepted hits no longer changes after about five rounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import linalg, ndimage, sparse

from canalwise.recon.grid import Float, Grid

ANGLES = 72
"""Rays per station: one each 5 deg, 0.7 mm of wall at 8 mm."""

REACH_MM = 24.0
"""Ray length: half of the widest published interpedicular distance, 43.4 mm, and a margin
(docs/published-values.md#canal)."""

RAY_STEP_MM = 0.4
"""Sampling along a ray; the crossing itself is interpolated."""

PERIOD_MM = 36.0
"""About one vertebra and disc: over this length every direction meets bone somewhere (common practice, no source)."""

WALL_TOL_MM = 0.4
"""A hit further than this outside the smooth wall belongs to something behind a window."""

FLOOR_TOL_MM = 0.8
"""The same ventrally, where no window opens: a body is met there, be it past the bend of a slip or a scoliosis."""

FIRST_TOL_MM = 1.2
"""The same against the first, rough wall."""

SLOPE_WEIGHT, BEND_WEIGHT = 0.05, 0.2
"""Stiffness of the membrane and of the plate against data of weight 1 per cell."""

STRAIGHT_FRAC = 0.7
"""Where the membrane rests across the canal, between an arc about the centreline (0) and a straight wall (1): ligament
spans flat from rim to rim. By trial against phantoms, whose canal at windows is given by a formula of its own."""

CENTRING_REACH_MM = 15.0
"""No wall is looked for further off while the line is centred: half a wide canal (docs/published-values.md#canal)."""

LEAST_RADIUS_MM = 2.0
"""The wall comes no nearer to the centreline: a canal of 4 mm (common practice, no source)."""

ROUNDS = 7
"""Reweighting rounds; the set of accepted hits no longer changes after about five."""


@dataclass(frozen=True, eq=False)
class Stations:
    """Planes across the canal.

    Parameters
    ----------
    centre_ras_mm : (N, 3) array, caudal to cranial, about equally spaced
    axes_ras : (N, 3, 3) array, rows left, dorsal, cranial (the tangent)
    """

    centre_ras_mm: Float
    axes_ras: Float

    @property
    def step_mm(self) -> float:
        """Mean distance between stations.

        >>> Stations(np.array([[0.0, 0, 0], [0, 0, 2], [0, 0, 4]]), np.stack([np.eye(3)] * 3)).step_mm
        2.0
        """
        return float(np.linalg.norm(np.diff(self.centre_ras_mm, axis=0), axis=1).mean())


def ray_angles_rad() -> Float:
    """(ANGLES,) array: 0 left, pi/2 dorsal, pi right, 3 pi/2 ventral.

    >>> ray_angles_rad()[ANGLES // 4] == np.pi / 2
    np.True_
    """
    return np.linspace(0.0, 2 * np.pi, ANGLES, endpoint=False, dtype=np.float64)


def ray_directions(stations: Stations) -> Float:
    """(N, ANGLES, 3) array of unit ray directions in RAS.

    The first ray runs to the patient's left.

    >>> upright = Stations(np.zeros((1, 3)), np.diag([-1.0, -1.0, 1.0])[None])
    >>> ray_directions(upright)[0, 0].tolist()
    [-1.0, 0.0, 0.0]
    """
    angle = ray_angles_rad()
    left, dorsal = stations.axes_ras[:, 0], stations.axes_ras[:, 1]
    return np.asarray(np.cos(angle)[None, :, None] * left[:, None] + np.sin(angle)[None, :, None] * dorsal[:, None])


def bone_distance_mm(occupancy: npt.NDArray[np.float32], grid: Grid, stations: Stations) -> Float:
    """(N, ANGLES) array: distance to the first half-occupied point along each ray, inf when there is none."""
    radius = np.arange(0.0, REACH_MM + RAY_STEP_MM, RAY_STEP_MM)
    points = stations.centre_ras_mm[:, None, None] + radius[:, None] * ray_directions(stations)[:, :, None]
    index = np.moveaxis(grid.index_of(points), -1, 0)
    # nothing bony lies beyond the scan: a ray that leaves it escapes, as one through a window does
    value = ndimage.map_coordinates(occupancy, index, order=1, mode="constant", cval=0.0, output=np.float32)
    solid = value >= 0.5
    first = solid.argmax(axis=2)
    before = np.take_along_axis(value, np.maximum(first - 1, 0)[..., None], 2)[..., 0]
    here = np.take_along_axis(value, first[..., None], 2)[..., 0]
    share = np.divide(0.5 - before, here - before, out=np.ones_like(here), where=here > before)
    distance = (np.maximum(first - 1, 0) + share) * RAY_STEP_MM
    # the line itself has run into bone: no step before the first could be interpolated from
    distance[first == 0] = 0.0
    return np.where(solid.any(axis=2), distance, np.inf).astype(float)


def _difference(count: int, wrap: bool) -> sparse.csr_array:
    ahead = sparse.eye_array(count, k=1, format="lil")
    if wrap:
        ahead[count - 1, 0] = 1.0
    # differences from one cell to the next: times their own transpose they are a second difference, free at both ends
    # of the canal and closed round it
    full = sparse.csr_array(ahead - sparse.eye_array(count))
    return full if wrap else full[: count - 1]


def _slopes(shape: tuple[int, int], step_mm: float, arc_mm: float) -> Any:
    """Minus the Laplacian over (stations, angles) in row-major order, per mm2."""
    along = sparse.kron(_difference(shape[0], False) / step_mm, sparse.eye_array(shape[1]))
    around = sparse.kron(sparse.eye_array(shape[0]), _difference(shape[1], True) / arc_mm)
    return sparse.csc_array(along.T @ along + around.T @ around)


def _banded(matrix: Any) -> Float:
    """(2 ANGLES + 1, n) array: the diagonal of a matrix of the membrane and those below it, as LAPACK keeps them.

    Numbered station by station the membrane and the plate reach no further than two stations.
    """
    size = matrix.shape[0]
    bands = np.zeros((min(2 * ANGLES, size - 1) + 1, size))
    for below in range(len(bands)):
        bands[below, : size - below] = matrix.diagonal(-below)
    return bands


def _straight_per_mm(radius_mm: Float, mean_mm: float) -> Float:
    """Second difference of the radius along the arc that a straight wall has there, times STRAIGHT_FRAC.

    A straight line in polar form obeys r'' = r + 2 r'^2 / r.
    """
    turn = 2 * np.pi / ANGLES
    slope = (np.roll(radius_mm, -1, axis=1) - np.roll(radius_mm, 1, axis=1)) / (2 * turn)
    slope = np.clip(slope, -radius_mm, radius_mm)  # steeper is a rim, not a wall
    return STRAIGHT_FRAC * (radius_mm + 2 * slope**2 / radius_mm) / mean_mm**2


def _near_quartile_mm(hit_mm: Float, step_mm: float) -> Float:
    """A low, smooth guess: the near quartile of the hits of one vertebral period in each direction."""
    filled = np.where(np.isfinite(hit_mm), hit_mm, REACH_MM)
    half = max(round(PERIOD_MM / 2 / step_mm), 1)
    near = ndimage.percentile_filter(filled, 25, size=(2 * half + 1, 1), mode="nearest")
    smooth = np.asarray(ndimage.gaussian_filter(near, (2.0 / step_mm, 2.0), mode=("nearest", "wrap")))
    # Where the line has run out into bone every ray ends at once: no wall is that near, and nothing divides by none.
    return np.maximum(smooth, LEAST_RADIUS_MM)


def rough_wall_mm(hit_mm: Float) -> tuple[Float, npt.NDArray[np.bool_]]:
    """A quick wall for centring: every station's own hits, cut off at CENTRING_REACH_MM, and which are within it.

    Parameters
    ----------
    hit_mm : (S, ANGLES) array, how far each station's rays run until they meet bone, infinite where none

    Returns
    -------
    radius_mm, met : (S, ANGLES) arrays

    >>> radius, met = rough_wall_mm(np.array([[3.0, np.inf]]))
    >>> float(radius.max()) == CENTRING_REACH_MM, met.tolist()
    (True, [[True, False]])
    """
    return np.minimum(hit_mm, CENTRING_REACH_MM), hit_mm <= CENTRING_REACH_MM


def wall_mm(hit_mm: Float, step_mm: float) -> tuple[Float, npt.NDArray[np.bool_]]:
    """(N, ANGLES) radius of the canal's wall and where it is bone.

    Parameters
    ----------
    hit_mm : (N, ANGLES) array of `bone_distance_mm`
    step_mm : between stations

    >>> tube = np.full((40, ANGLES), 8.0)
    >>> tube[15:25, 10:26] = np.inf                      # a window
    >>> radius, bony = wall_mm(tube, 1.0)
    >>> bool(radius.max() < 8.1), bool(radius[20, 18] < 7.8), bool(bony[20, 18])
    (True, True, False)
    """
    rough = _near_quartile_mm(hit_mm, step_mm)
    finite = np.where(np.isfinite(hit_mm), hit_mm, REACH_MM)
    weight = ((finite <= rough + FIRST_TOL_MM) & np.isfinite(hit_mm)).astype(float)
    within = np.where(np.sin(ray_angles_rad()) < -0.5, FLOOR_TOL_MM, WALL_TOL_MM)
    # one arc length for all cells: the stiffness then stays the same in every round, and only its diagonal takes the
    # weights
    mean_mm = float(np.median(rough))
    slopes = _slopes((hit_mm.shape[0], hit_mm.shape[1]), step_mm, mean_mm * 2 * np.pi / ANGLES)
    stiffness = _banded(SLOPE_WEIGHT * slopes + BEND_WEIGHT * (slopes @ slopes))
    radius = rough
    for _ in range(ROUNDS):
        system = stiffness.copy()
        # a hair of data everywhere settles stretches where no ray meets bone; without it the matrix is singular there
        system[0] += weight.ravel() + 1e-6
        rest = _straight_per_mm(radius, mean_mm).ravel()
        known = weight.ravel() * finite.ravel() + 1e-6 * rough.ravel()
        # the minimum has zero slope: `slopes` is minus the Laplacian, hence the sign of both terms of rest
        known -= SLOPE_WEIGHT * rest + BEND_WEIGHT * (slopes @ rest)
        radius = linalg.solveh_banded(system, known, overwrite_ab=True, lower=True).reshape(hit_mm.shape)
        radius = np.clip(radius, LEAST_RADIUS_MM, REACH_MM)
        outside = finite - radius
        weight = np.where(outside < 0, 3.0, 1.0) * (outside < within) * np.isfinite(hit_mm)
    bony = np.isfinite(hit_mm) & (finite - radius < within)
    # where bone is seen the image says where, more finely than the membrane; elsewhere no wall lies behind a hit
    return np.where(bony, finite, np.minimum(radius, finite)), bony
