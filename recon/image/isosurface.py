"""Closed surfaces of bone and canal in world mm, turned outward, with the volume of what they stand for."""

from __future__ import annotations

import os
import threading
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from canalwise.recon.errors import AnatomyNotFound, BadGeometry, WrongUse
from canalwise.recon.grid import Float, Grid
from canalwise.recon.serialization import write_bytes_atomic

Faces = npt.NDArray[np.int64]

VOLUME_TOL_FRAC = 5e-3
"""A mesh should have the volume of its occupancy within this (docs/accuracy.md#what-is-asked)."""

LEVEL_TOL_FRAC = 5e-4
"""The level search stops when the volume is this close: a tenth of what is asked."""

LEVELS = (0.05, 0.95)
"""The iso-levels searched."""

OFF_STEP = 1.7e-5
"""Keeps the level off the 1/255 steps of occupancy, where triangles without area would arise."""

SEARCH_STEPS = 16

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
        """Enclosed volume, positive when the faces look outward (divergence theorem)."""
        return _enclosed(self.vertices_ras_mm, self.faces)

    @property
    def area_mm2(self) -> float:
        """Total area of the triangles."""
        a, b, c = np.moveaxis(self.vertices_ras_mm[self.faces], 1, 0)
        return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)

    @property
    def volume_error_frac(self) -> float:
        """How far the enclosed volume is from the occupancy's integral, as a fraction of that; see VOLUME_TOL_FRAC."""
        return self.volume_mm3 / self.occupied_mm3 - 1.0

    @property
    def watertight(self) -> bool:
        """Does every edge join exactly two faces that run along it in opposite directions?"""
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

    Taubin, Zhang, Golub, Optimal surface smoothing as filter design (ECCV 1996).
    """
    from vtkmodules.vtkFiltersCore import vtkWindowedSincPolyDataFilter

    flow = vtkWindowedSincPolyDataFilter()
    flow.SetInputData(_poly_data(surface))
    flow.SetNumberOfIterations(passes)
    flow.SetPassBand(pass_band)
    flow.BoundarySmoothingOff()
    flow.FeatureEdgeSmoothingOff()
    flow.NonManifoldSmoothingOn()
    flow.NormalizeCoordinatesOn()
    flow.Update()
    points, _ = _arrays(flow.GetOutput())
    return replace(surface, vertices_ras_mm=points + surface.vertices_ras_mm.mean(axis=0))


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
    """The surface as binary STL in mm, RAS; the header says so, since the format carries no unit."""
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
    from vtkmodules.util.numpy_support import numpy_to_vtk
    from vtkmodules.vtkCommonDataModel import vtkImageData
    from vtkmodules.vtkFiltersCore import vtkFlyingEdges3D

    image = vtkImageData()
    image.SetDimensions(*padded.shape)
    image.GetPointData().SetScalars(numpy_to_vtk(padded.ravel(order="F"), deep=True))
    edges = vtkFlyingEdges3D()
    edges.SetInputData(image)
    edges.SetValue(0, level)
    edges.ComputeNormalsOff()
    edges.ComputeGradientsOff()
    edges.ComputeScalarsOff()
    edges.Update()
    return _arrays(edges.GetOutput())


def _arrays(poly_data: Any) -> tuple[Float, Faces]:
    from vtkmodules.util.numpy_support import vtk_to_numpy

    if not poly_data.GetNumberOfPolys():
        return np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)
    points = vtk_to_numpy(poly_data.GetPoints().GetData()).astype(float)
    return points, vtk_to_numpy(poly_data.GetPolys().GetConnectivityArray()).astype(np.int64).reshape(-1, 3)


def _poly_data(surface: ClosedSurface) -> Any:
    """The surface about its own centre, in VTK's form."""
    from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray
    from vtkmodules.vtkCommonCore import vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData

    points, cells, poly_data = vtkPoints(), vtkCellArray(), vtkPolyData()
    points.SetData(numpy_to_vtk(surface.vertices_ras_mm - surface.vertices_ras_mm.mean(axis=0), deep=True))
    offsets = np.arange(0, 3 * len(surface.faces) + 1, 3)
    cells.SetData(*(numpy_to_vtkIdTypeArray(ids, deep=True) for ids in (offsets, surface.faces.ravel())))
    poly_data.SetPoints(points)
    poly_data.SetPolys(cells)
    return poly_data


def _enclosed(vertices: Float, faces: Faces) -> float:
    if not len(faces):
        return 0.0
    # About the centre: far from the origin the sum would lose digits.
    x, y, z = (vertices - vertices.mean(axis=0)).T
    a, b, c = faces.T
    cross = x[a] * (y[b] * z[c] - z[b] * y[c]) + y[a] * (z[b] * x[c] - x[b] * z[c])
    return float((cross + z[a] * (x[b] * y[c] - y[b] * x[c])).sum() / 6.0)
