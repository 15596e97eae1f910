"""Closed surfaces made elsewhere (STL, PLY, OBJ) as masks on the scan's grid."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from canalwise.recon.errors import BadFile, BadGeometry, BadLabels
from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.isosurface import ClosedSurface, Faces
from canalwise.recon.image.surface_fill import filled
from canalwise.recon.labels import Mask

SUFFIXES = (".stl", ".ply", ".obj")

INSIDE_FRAC = 0.3
"""Of its corners a surface must have this share inside the scan (choice): a vertebra may be cut by the scan's end, but
one in another frame or unit lies elsewhere."""

MOST_TRIANGLES = 5_000_000
"""More are no vertebra."""


@dataclass(frozen=True, eq=False)
class _OtherFrame:
    """A frame or unit that a surface may have been meant in: to the patient's RAS mm."""

    words: str
    factors: Float


OTHER_FRAMES = (
    _OtherFrame("LPS mm", np.array([-1.0, -1.0, 1.0])),
    _OtherFrame("RAS m", np.array([1000.0, 1000.0, 1000.0])),
    _OtherFrame("LPS m", np.array([-1000.0, -1000.0, 1000.0])),
)


def is_surface(path: Path) -> bool:
    """Does the name end as a surface's does?

    >>> is_surface(Path("L3.STL")), is_surface(Path("L3.nii"))
    (True, False)
    """
    return path.name.lower().endswith(SUFFIXES)


def read_surface(path: Path) -> ClosedSurface:
    """The closed surface in a file, taken as RAS mm, turned outward.

    Corners at one place are joined, for STL tells each triangle apart.

    Raises
    ------
    BadFile : damaged, empty or too large
    BadGeometry : not closed
    """
    import trimesh

    try:
        mesh = trimesh.load_mesh(path, process=False)
        mesh.merge_vertices(merge_tex=True, merge_norm=True)
        points, faces = np.asarray(mesh.vertices, dtype=float), np.asarray(mesh.faces, dtype=np.int64)
    except Exception:
        # The reader raises what it likes on a damaged file, and may quote it.
        points, faces = np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)
    if not len(faces) or not np.isfinite(points).all() or len(faces) > MOST_TRIANGLES:
        raise BadFile(
            "the surface",
            f"must be a whole STL, PLY or OBJ file of 1 to {MOST_TRIANGLES} triangles",
            got=f"{len(faces)} triangles",
            do="Export it again.",
        )
    surface = ClosedSurface(points, _without_slivers(faces))
    if not surface.watertight:
        raise BadGeometry("the surface", "must be closed", got="open or crossed edges", do="Close its holes first.")
    return surface if surface.volume_mm3 > 0 else ClosedSurface(points, surface.faces[:, ::-1].copy())


def voxelised(surface: ClosedSurface, grid: Grid) -> Mask:
    """(nx, ny, nz) array: does the voxel's centre lie inside the surface?

    Raises BadLabels where the surface lies beside the scan; says so where another frame or unit would fit.

    >>> from canalwise.recon.image.isosurface import mesh_of
    >>> box = np.zeros((6, 6, 6), bool); box[2:4, 2:5, 1:4] = True
    >>> grid = Grid((6, 6, 6), np.diag([0.5, 0.7, 0.9, 1.0]))
    >>> bool((voxelised(mesh_of(box, grid), grid) == box).all())
    True
    """
    _check_inside(surface.vertices_ras_mm, grid)
    return filled(grid.index_of(surface.vertices_ras_mm), surface.faces, grid.shape)


def _check_inside(points: Float, grid: Grid) -> None:
    held = float(grid.contains(points).mean())
    if held >= INSIDE_FRAC:
        return
    fits = [other.words for other in OTHER_FRAMES if grid.contains(points * other.factors).mean() >= INSIDE_FRAC]
    advice = f"It would fit as {fits[0]}: export it in RAS mm." if fits else "Give the scan it was drawn on, in RAS mm."
    low, high = (np.round(end, 1).tolist() for end in (points.min(axis=0), points.max(axis=0)))
    raise BadLabels(
        "the surface",
        "must lie inside the scan, in RAS mm",
        got=f"corners from {low} to {high}, {held:.0%} of them inside",
        do=advice,
    )


def _without_slivers(faces: Faces) -> Faces:
    """The triangles with three corners of their own."""
    a, b, c = faces.T
    return faces[(a != b) & (b != c) & (c != a)]
