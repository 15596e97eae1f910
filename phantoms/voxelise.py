"""Watertight vertebra meshes as a CT: for real shapes whose parts are not known.

Occupancy comes from an inside test of each mesh on a lattice four times finer than the
voxels. Bone is one label per vertebra; the canal
is a tube along given points; soft tissue and a flat skin stand in for the rest. The
tissue around the bone is a modelling choice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import edt
import numpy as np
import numpy.typing as npt
from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray, vtk_to_numpy
from vtkmodules.vtkCommonCore import VTK_UNSIGNED_CHAR, vtkPoints
from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkImageData, vtkPolyData
from vtkmodules.vtkImagingStencil import vtkImageStencil, vtkPolyDataToImageStencil

from phantoms.render import PhantomScan, Scanner, finished_scan
from phantoms.spec import SpineSpec
from phantoms.tissue import Material, ct_table_hu, mr_table
from recon.errors import WrongUse
from recon.grid import Float, Grid
from recon.labels import Labels, Part, Tissue, label_of

SAMPLES_PER_EDGE = 4
"""Inside-test samples per voxel edge: 64 in all."""

SKIN_BEHIND_MM = 18.0
CORTEX_MM = 1.2
CANAL_SAC_FRAC = 0.62
"""Half-width of the sac over that of the canal in the stand-in canal."""


@dataclass(frozen=True, eq=False)
class Mesh:
    """A watertight triangle mesh in RAS mm: (N, 3) vertices and (M, 3) vertex numbers, wound outward."""

    vertices_mm: Float
    triangles: npt.NDArray[np.int64]

    def __post_init__(self) -> None:
        edges = np.sort(np.concatenate([self.triangles[:, [0, 1]], self.triangles[:, [1, 2]], self.triangles[:, [2, 0]]]), axis=1)
        _, uses = np.unique(edges, axis=0, return_counts=True)
        if (uses != 2).any():
            raise WrongUse("mesh", "must be watertight (each edge shared by two triangles)", got=f"{int((uses != 2).sum())} other edges",
                           do="Merge equal vertices and close the holes first.")

    @property
    def volume_mm3(self) -> float:
        """Signed volume by the divergence theorem; positive when wound outward."""
        a, b, c = (self.vertices_mm[self.triangles[:, i]] for i in range(3))
        return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)


@dataclass(frozen=True, eq=False)
class CanalPath:
    """A stand-in canal: (N, 3) RAS points along its axis, cranial to caudal, and its half-width and half-depth."""

    points_mm: Float
    half_width_mm: float = 11.0
    half_depth_mm: float = 8.0


def occupancy_of(mesh: Mesh, grid: Grid) -> npt.NDArray[np.float32]:
    """(nx, ny, nz) float32 array: share of each voxel inside the mesh, from SAMPLES_PER_EDGE^3 samples.

    The mesh is scan-converted in index space on a lattice finer by SAMPLES_PER_EDGE, so
    any right-angled grid will do, oblique ones included.
    """
    share = np.zeros(grid.shape, dtype=np.float32)
    index = grid.index_of(mesh.vertices_mm)
    low = np.maximum(np.floor(index.min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(index.max(axis=0)).astype(int) + 1, np.array(grid.shape))
    if (high <= low).any():
        return share
    n = SAMPLES_PER_EDGE
    fine = (index - low + 0.5) * n - 0.5
    inside = _inside(fine, mesh.triangles, tuple(int(c) for c in (high - low) * n))
    cells = inside.reshape(high[0] - low[0], n, high[1] - low[1], n, high[2] - low[2], n)
    share[low[0]:high[0], low[1]:high[1], low[2]:high[2]] = cells.mean(axis=(1, 3, 5), dtype=np.float32)
    return share


def _polydata(vertices: Float, triangles: npt.NDArray[np.int64]) -> vtkPolyData:
    points, cells, data = vtkPoints(), vtkCellArray(), vtkPolyData()
    points.SetData(numpy_to_vtk(np.ascontiguousarray(vertices, dtype=float), deep=True))
    cells.SetData(3, numpy_to_vtkIdTypeArray(np.ascontiguousarray(triangles, dtype=np.int64).ravel(), deep=True))
    data.SetPoints(points)
    data.SetPolys(cells)
    return data


def _inside(vertices: Float, triangles: npt.NDArray[np.int64], shape: tuple[int, ...]) -> npt.NDArray[np.bool_]:
    """(shape) array: is each lattice point (at whole coordinates) inside the mesh?"""
    stencil = vtkPolyDataToImageStencil()
    stencil.SetInputData(_polydata(vertices, triangles))
    stencil.SetOutputOrigin(0.0, 0.0, 0.0)
    stencil.SetOutputSpacing(1.0, 1.0, 1.0)
    stencil.SetOutputWholeExtent(0, shape[0] - 1, 0, shape[1] - 1, 0, shape[2] - 1)
    stencil.SetTolerance(0.0)
    stencil.Update()
    image = vtkImageData()
    image.SetDimensions(*shape)
    image.AllocateScalars(VTK_UNSIGNED_CHAR, 1)
    vtk_to_numpy(image.GetPointData().GetScalars())[:] = 1
    return _stencilled(stencil, image).reshape(shape, order="F").astype(bool)


def _stencilled(stencil: vtkPolyDataToImageStencil, image: vtkImageData) -> npt.NDArray[np.uint8]:
    cut = vtkImageStencil()
    cut.SetInputData(image)
    cut.SetStencilData(stencil.GetOutput())
    cut.SetBackgroundValue(0)
    cut.Update()
    return np.array(vtk_to_numpy(cut.GetOutput().GetPointData().GetScalars()), dtype=np.uint8)


def voxelised_scan(meshes: Mapping[str, Mesh], grid: Grid, *, canal: CanalPath | None = None, scanner: Scanner | None = None,
                   spec: SpineSpec | None = None) -> PhantomScan:
    """CT, MR and labels of vertebra meshes.

    Parameters
    ----------
    meshes : vertebra name -> mesh; where two overlap the later one wins
    canal : drawn where there is no bone; None leaves soft tissue
    spec : whose bone HU are used

    Labels are ``UNDIVIDED`` bone where at least half of the voxel is in a mesh.
    """
    spec, scanner = spec or SpineSpec(), scanner or Scanner()
    ct_table, mr_units = ct_table_hu(spec), mr_table()
    labels, material = _surroundings(meshes, grid, canal)
    ct, mr = ct_table[material].astype(np.float32), mr_units[material].astype(np.float32)
    for name, mesh in meshes.items():
        share = occupancy_of(mesh, grid)
        labels[share >= 0.5] = label_of(name, Part.UNDIVIDED)
        bone = _bone_materials(grid, share)
        for image, table in ((ct, ct_table), (mr, mr_units)):
            image += share * (table[bone].astype(np.float32) - image)
    return finished_scan(ct, mr, labels, grid, scanner)


def _bone_materials(grid: Grid, share: npt.NDArray[np.float32]) -> npt.NDArray[np.uint8]:
    """(nx, ny, nz) array: cortex within CORTEX_MM of the outside (by voxel centre), else trabecular."""
    deep = edt.edt(share >= 0.5, anisotropy=tuple(grid.spacing_mm)) > CORTEX_MM
    return np.where(deep, Material.TRABECULAR, Material.CORTICAL).astype(np.uint8)


def _surroundings(meshes: Mapping[str, Mesh], grid: Grid, canal: CanalPath | None) -> tuple[Labels, npt.NDArray[np.uint8]]:
    """Labels and materials without bone: muscle, fat and skin behind the dorsal-most bone, air beyond, the stand-in canal."""
    skin_y = min(float(mesh.vertices_mm[:, 1].min()) for mesh in meshes.values()) - SKIN_BEHIND_MM
    labels = np.full(grid.shape, Tissue.SOFT, dtype=np.uint16)
    material = np.full(grid.shape, Material.MUSCLE, dtype=np.uint8)
    for i in range(grid.shape[0]):
        world = grid.cropped((slice(i, i + 1), slice(None), slice(None))).voxel_centres_mm()[0]
        under = world[..., 1] - skin_y
        material[i][under < 9.0] = Material.FAT
        material[i][under < 2.0] = Material.SKIN
        outside = under < 0
        material[i][outside], labels[i][outside] = Material.AIR, Tissue.OUTSIDE
        if canal is not None:
            _draw_canal(canal, world, labels[i], material[i])
    return labels, material


def _draw_canal(canal: CanalPath, world_mm: Float, labels: Labels, material: npt.NDArray[np.uint8]) -> None:
    """Epidural fat in an elliptic tube about the path, fluid in its inner part; the path is taken as a function of height."""
    order = np.argsort(canal.points_mm[:, 2])
    heights = canal.points_mm[order, 2]
    x = (world_mm[..., 0] - np.interp(world_mm[..., 2], heights, canal.points_mm[order, 0])) / canal.half_width_mm
    y = (world_mm[..., 1] - np.interp(world_mm[..., 2], heights, canal.points_mm[order, 1])) / canal.half_depth_mm
    radius = np.where((world_mm[..., 2] >= heights[0]) & (world_mm[..., 2] <= heights[-1]), np.hypot(x, y), np.inf)
    for limit, tissue, kind in ((1.0, Tissue.CANAL, Material.FAT), (CANAL_SAC_FRAC, Tissue.SAC, Material.FLUID)):
        labels[radius < limit], material[radius < limit] = tissue, kind
