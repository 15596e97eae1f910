"""Closed surfaces of bone and canal in world mm, turned outward, with the volume of what they stand for."""

from __future__ import annotations

import os
import threading
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import sparse

from canalwise.recon.errors import AnatomyNotFound, BadGeometry, WrongUse
from canalwise.recon.grid import Float, Grid
from canalwise.recon.serialization import write_bytes_atomic

Faces = npt.NDArray[np.int64]

VOLUME_TOL_FRAC = 5e-3
"""A mesh should have the volume of its occupancy within this (docs/accuracy.md#what-is-asked)."""

LEVEL_TOL_FRAC = 5e-4
"""The level search stops when the volume is this close: a tenth of what is required."""

LEVELS = (0.05, 0.95)
"""The iso-levels searched."""

OFF_STEP = 1.7e-5
"""Keeps the level off the 1/255 steps of occupancy, where triangles without area would arise."""

SEARCH_STEPS = 16

CUTS, PASSED_FRAC = 1000, 0.999
"""Cuts tried of the smoothing's filter, and how much of its pass band's edge must come through."""

ONE_AT_A_TIME = threading.Lock()
"""The decimation keeps its mesh in one place for the whole process: two at a time would mix theirs."""

STL_TRIANGLE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
STL_HEADER = b"canalwise; lengths in mm; patient frame RAS"


@dataclass(frozen=True, eq=False)
class ClosedSurface:
    """A closed triangle surface.

    Parameters
    ----------
    vertices_ras_mm : (N, 3) array
    faces : (M, 3) array of vertex indices, anticlockwise seen from outside
    occupied_mm3 : integral of the occupancy it was made from, nan when it was made otherwise
    """

    vertices_ras_mm: Float
    faces: Faces
    occupied_mm3: float = float("nan")

    @property
    def volume_mm3(self) -> float:
        """Enclosed volume, positive when the faces look outward (divergence theorem).

        >>> corners = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]])
        >>> faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
        >>> [round(ClosedSurface(corners, turned).volume_mm3, 6) for turned in (faces, faces[:, ::-1])]
        [0.166667, -0.166667]
        """
        return _enclosed(self.vertices_ras_mm, self.faces)

    @property
    def area_mm2(self) -> float:
        """Total area of the triangles.

        >>> corners = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]])
        >>> faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
        >>> round(ClosedSurface(corners, faces).area_mm2, 3)
        2.366
        """
        a, b, c = np.moveaxis(self.vertices_ras_mm[self.faces], 1, 0)
        return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)

    @property
    def volume_error_frac(self) -> float:
        """How far the enclosed volume is from the occupancy's integral, as a fraction of that; see VOLUME_TOL_FRAC."""
        return self.volume_mm3 / self.occupied_mm3 - 1.0

    @property
    def watertight(self) -> bool:
        """Does every edge join exactly two faces that run along it in opposite directions?

        >>> corners = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]])
        >>> faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
        >>> ClosedSurface(corners, faces).watertight, ClosedSurface(corners, faces[1:]).watertight
        (True, False)
        """
        starts, ends = self.faces, np.roll(self.faces, -1, axis=1)
        count = len(self.vertices_ras_mm)
        forward, backward = np.sort((starts * count + ends).ravel()), np.sort((ends * count + starts).ravel())
        return bool(len(forward) and (np.diff(forward) > 0).all() and (forward == backward).all())


def mesh_of(occupancy: npt.NDArray[Any], grid: Grid) -> ClosedSurface:
    """The closed surface of an occupancy (0..1) or mask on a grid, in world mm, looking outward.

    The iso-level is the one whose surface encloses the occupancy's integral: 0.5 for shapes wider
    than a few voxels, lower for thin laminae that no voxel holds wholly. Where large parts are
    half occupied no level can do so; `ClosedSurface.volume_error_frac` tells how far off the best is.

    Raises AnatomyNotFound when nothing is occupied.

    >>> cube = np.zeros((6, 6, 6)); cube[1:5, 1:5, 1:5] = 1
    >>> surface = mesh_of(cube, Grid((6, 6, 6), np.diag([0.5, 0.5, 0.5, 1.0])))
    >>> surface.watertight, abs(surface.volume_error_frac) < 5e-3
    (True, True)
    """
    if occupancy.shape != grid.shape:
        raise WrongUse("'occupancy'", f"must have the grid's shape {grid.shape}", got=occupancy.shape)
    # Only the occupied box is meshed; one empty voxel round it closes what touches the border.
    box = _box(occupancy)
    inner = grid.cropped(box)
    padded = np.pad(occupancy[box].astype(np.float32), 1)
    occupied_voxels = float(padded.sum(dtype=np.float64))
    vertices, faces = _level_set_of_volume(padded, occupied_voxels)
    if np.linalg.det(inner.affine_ras_mm[:3, :3]) < 0:
        # A mirrored grid turns every face inside out.
        faces = faces[:, ::-1].copy()
    surface = ClosedSurface(inner.world_mm(vertices - 1.0), faces, occupied_voxels * grid.voxel_mm3)
    if not surface.watertight or surface.volume_mm3 <= 0:
        raise BadGeometry("the mesh", "must be closed and look outward", got=f"{surface.volume_mm3:.3g} mm3 enclosed")
    return surface


def smoothed(surface: ClosedSurface, *, passes: int = 20, pass_band: float = 0.05) -> ClosedSurface:
    """The surface without voxel steps, for looking at: windowed-sinc smoothing, which hardly shrinks.

    Taubin, Zhang, Golub, Optimal surface smoothing as filter design (ECCV 1996): a low-pass filter of `passes`
    Chebyshev polynomials in the difference of each vertex from the mean of its neighbours, with a Hamming window.

    >>> ball = np.linalg.norm(np.indices((21, 21, 21)) - 10, axis=0) < 8
    >>> rough = mesh_of(ball, Grid((21, 21, 21), np.eye(4)))
    >>> smoothed(rough).area_mm2 < 0.95 * rough.area_mm2
    True
    """
    weights = _sinc_weights(passes, pass_band)
    centre = surface.vertices_ras_mm.mean(axis=0)
    means = _neighbour_means(surface)
    # T0 = 1, T1 = x, T(n+1) = 2 x T(n) - T(n-1) of x = 1 - k / 2, k the difference from the neighbours' mean
    before = surface.vertices_ras_mm - centre
    now = (before + means @ before) / 2
    out = weights[0] * before + weights[1] * now
    for weight in weights[2:]:
        before, now = now, now + means @ now - before
        out += weight * now
    return replace(surface, vertices_ras_mm=out + centre)


def _sinc_weights(passes: int, pass_band: float) -> Float:
    """(passes + 1,) array: weights of the Chebyshev polynomials, such that what varies no faster passes whole.

    The window blurs the filter's edge; the cut is moved out until the pass band lies inside (section 4 of the paper).
    """
    order = np.arange(passes + 1)
    window = 0.54 + 0.46 * np.cos(order * np.pi / (passes + 1))
    edge = np.arccos(1.0 - pass_band / 2.0)
    cuts = np.linspace(edge, np.pi, CUTS)[:, None]
    weights = window * np.where(order == 0, cuts / np.pi, 2 * np.sin(order * cuts) / (np.maximum(order, 1) * np.pi))
    weights /= weights.sum(axis=1, keepdims=True)  # what does not vary at all stays as it is
    passes_whole = weights @ np.cos(order * edge) >= PASSED_FRAC
    return np.asarray(weights[int(np.argmax(passes_whole))])


def _neighbour_means(surface: ClosedSurface) -> sparse.csr_array:
    """(N, N) matrix: the mean over the vertices that share an edge with each."""
    starts, ends = surface.faces.ravel(), np.roll(surface.faces, -1, axis=1).ravel()
    count = len(surface.vertices_ras_mm)
    # A closed surface runs along each edge once in either direction.
    joins = sparse.csr_array((np.ones(len(starts)), (starts, ends)), shape=(count, count))
    return sparse.csr_array(sparse.diags_array(1.0 / joins.sum(axis=1)) @ joins)


def decimated(surface: ClosedSurface, keep_frac: float) -> ClosedSurface:
    """The surface with about `keep_frac` of its faces; more are kept where fewer would not stay closed.

    >>> ball = np.linalg.norm(np.indices((21, 21, 21)) - 10, axis=0) < 8
    >>> surface = mesh_of(ball, Grid((21, 21, 21), np.eye(4)))
    >>> small = decimated(surface, 0.25)
    >>> small.watertight, len(small.faces) < 0.3 * len(surface.faces)
    (True, True)
    """
    import fast_simplification

    if not 0 < keep_frac <= 1:
        raise WrongUse("'keep_frac'", "must be in (0, 1]", got=keep_frac)
    # About the centre, because the library computes in single precision.
    centre = surface.vertices_ras_mm.mean(axis=0)
    reduction = 1.0 - keep_frac
    while reduction > 0.01:
        with ONE_AT_A_TIME:
            points, faces = fast_simplification.simplify(surface.vertices_ras_mm - centre, surface.faces, reduction)
        smaller = replace(surface, vertices_ras_mm=points.astype(float) + centre, faces=faces.astype(np.int64))
        if smaller.watertight and smaller.volume_mm3 > 0:
            return smaller
        reduction /= 2
    return surface


def write_stl(path: str | Path, surface: ClosedSurface) -> None:
    """Write binary STL in mm, RAS, whole or not at all."""
    write_bytes_atomic(Path(os.fspath(path)), stl_bytes(surface))


def stl_bytes(surface: ClosedSurface) -> bytes:
    """The surface as binary STL in mm, RAS; the header says so, since the format carries no unit.

    >>> corners = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]])
    >>> faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
    >>> len(stl_bytes(ClosedSurface(corners, faces)))  # a header of 84 bytes, 50 a triangle
    284
    """
    corners = surface.vertices_ras_mm[surface.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    triangles = np.zeros(len(corners), dtype=STL_TRIANGLE)
    triangles["normal"] = normals / np.where(lengths > 0, lengths, 1.0)
    triangles["corners"] = corners
    count = np.array([len(corners)], dtype="<u4").tobytes()
    return STL_HEADER.ljust(80) + count + triangles.tobytes()


def _box(occupancy: npt.NDArray[Any]) -> tuple[slice, slice, slice]:
    found = []
    for axis in range(3):
        held = np.flatnonzero((occupancy > 0).any(axis=tuple(a for a in range(3) if a != axis)))
        if not held.size:
            raise AnatomyNotFound("the mesh", "needs something to enclose", got="an empty mask")
        found.append(slice(int(held[0]), int(held[-1]) + 1))
    return found[0], found[1], found[2]


def _level_set_of_volume(padded: npt.NDArray[np.float32], volume: float) -> tuple[Float, Faces]:
    """The level set that encloses `volume` (in voxels), by secants, or halving where these leave the bracket.

    The closest is taken when none encloses it.
    """
    low, high = LEVELS
    level, best = 0.5, (np.inf, np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
    last: tuple[float, float] | None = None
    for _ in range(SEARCH_STEPS):
        vertices, faces = _level_set(padded, level + OFF_STEP)
        excess = _enclosed(vertices, faces) / volume - 1.0
        if abs(excess) < best[0] and len(faces):
            best = (abs(excess), vertices, faces)
        if best[0] <= LEVEL_TOL_FRAC:
            break
        # A higher level encloses less.
        low, high = (level, high) if excess > 0 else (low, level)
        secant = low if last is None or last[1] == excess else (level - excess * (level - last[0]) / (excess - last[1]))
        last, level = (level, excess), secant if low < secant < high else (low + high) / 2
    return best[1], best[2]


def _level_set(padded: npt.NDArray[np.float32], level: float) -> tuple[Float, Faces]:
    """Vertices in voxels and outward faces of one level set (marching cubes as by Lewiner, which leaves no holes)."""
    from skimage.measure import marching_cubes  # its loading is only needed here

    if not padded.min() < level < padded.max():
        return np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)
    vertices, faces, _, _ = marching_cubes(padded, level, gradient_direction="ascent")
    return vertices.astype(float), faces.astype(np.int64)


def _enclosed(vertices: Float, faces: Faces) -> float:
    if not len(faces):
        return 0.0
    # About the centre: far from the origin the sum would lose digits.
    x, y, z = (vertices - vertices.mean(axis=0)).T
    a, b, c = faces.T
    cross = x[a] * (y[b] * z[c] - z[b] * y[c]) + y[a] * (z[b] * x[c] - x[b] * z[c])
    return float((cross + z[a] * (x[b] * y[c] - y[b] * x[c])).sum() / 6.0)
