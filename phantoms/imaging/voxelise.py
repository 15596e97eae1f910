"""Watertight vertebra meshes as a CT: for real shapes whose parts are not known.

Occupancy comes from an inside test of each mesh on a lattice four times finer than the
voxels. Bone is one label per vertebra; the canal
is a tube along given points; soft tissue and a flat skin stand in for the rest. The
tissue around the bone is a modelling choice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import edt
import numpy as np
import numpy.typing as npt

from canalwise.phantoms.anatomy.bystanders import Bystander, with_bystanders
from canalwise.phantoms.anatomy.intensities import Material, ct_table_hu, mr_table
from canalwise.phantoms.imaging.artefacts import patches
from canalwise.phantoms.imaging.scanner import PhantomScan, Scanner, finished_scan
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import Labels, Part, Tissue, label_of

SAMPLES_PER_EDGE = 4
"""Inside-test samples per voxel edge: 64 in all."""

SLAB_VOXELS = 16
"""Voxels along the first axis that are scan-converted at once, to bound memory."""

OFF_LATTICE = np.array([1.37e-5, 2.11e-5, 0.0])
"""Shift of the samples (in sample steps) that keeps columns off mesh edges and vertices."""

SKIN_BEHIND_MM = 18.0
CORTEX_MM = 1.2

CORTEX_STEP_MM = 0.34
"""Lattice on which the depth under the surface is found: three samples in a voxel of 1 mm, two in a thin cortex."""

CANAL_SAC_FRAC = 0.62
"""Half-width of the sac over that of the canal in the stand-in canal."""


@dataclass(frozen=True, eq=False)
class Mesh:
    """A watertight triangle mesh in RAS mm: (N, 3) vertices and (M, 3) vertex numbers, wound outward."""

    vertices_mm: Float
    triangles: npt.NDArray[np.int64]

    def __post_init__(self) -> None:
        edges = np.sort(
            np.concatenate([self.triangles[:, [0, 1]], self.triangles[:, [1, 2]], self.triangles[:, [2, 0]]]), axis=1
        )
        _, uses = np.unique(edges, axis=0, return_counts=True)
        if (uses != 2).any():
            raise WrongUse(
                "mesh",
                "must be watertight (each edge shared by two triangles)",
                got=f"{int((uses != 2).sum())} other edges",
                do="Merge equal vertices and close the holes first.",
            )

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
    any right-angled grid will do, oblique ones included. Works slab by slab.
    """
    share = np.zeros(grid.shape, dtype=np.float32)
    index = grid.index_of(mesh.vertices_mm)
    low = np.clip(np.floor(index.min(axis=0)).astype(int), 0, grid.shape)
    high = np.clip(np.ceil(index.max(axis=0)).astype(int) + 1, 0, grid.shape)
    for start in range(low[0], high[0], SLAB_VOXELS):
        stop = min(start + SLAB_VOXELS, high[0])
        corner, size = np.array([start, *low[1:]]), np.array([stop, *high[1:]]) - [start, *low[1:]]
        if size.min() > 0:
            box = tuple(slice(c, c + s) for c, s in zip(corner, size, strict=True))
            share[box] = _slab_share(index - corner, mesh.triangles, size)
    return share


def _slab_share(
    vertices: Float, triangles: npt.NDArray[np.int64], size: npt.NDArray[np.int64]
) -> npt.NDArray[np.float32]:
    """(size) array: share of each voxel inside a mesh given in the slab's voxel indices."""
    n = SAMPLES_PER_EDGE
    inside = inside_lattice((vertices + 0.5) * n - 0.5 + OFF_LATTICE, triangles, size * n)
    cells = inside.reshape(size[0], n, size[1], n, size[2], n)
    found: npt.NDArray[np.float32] = cells.mean(axis=(1, 3, 5), dtype=np.float32)
    return found


def inside_lattice(
    vertices: Float, triangles: npt.NDArray[np.int64], shape: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """(shape) array: which whole-number points lie inside a closed mesh, by winding number along the third axis.

    Every triangle adds one where a column enters through it and takes one where it
    leaves; the sum along the column is the winding number.

    >>> corners = np.array([[0.0, 0, 0], [4, 0, 0], [0, 4, 0], [0, 0, 4]]) - 0.5
    >>> faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
    >>> int(inside_lattice(corners, faces, np.array([4, 4, 4])).sum())
    10
    """
    crossed = np.zeros((shape[0], shape[1], shape[2] + 1), dtype=np.int16)
    which, column = _columns_under(vertices[triangles][:, :, :2], shape)
    corners = vertices[triangles[which]]
    edge_1, edge_2 = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    offset = column - corners[:, 0, :2]
    double_area = edge_1[:, 0] * edge_2[:, 1] - edge_1[:, 1] * edge_2[:, 0]
    safe = np.where(double_area == 0, 1.0, double_area)
    u = (offset[:, 0] * edge_2[:, 1] - offset[:, 1] * edge_2[:, 0]) / safe
    v = (edge_1[:, 0] * offset[:, 1] - edge_1[:, 1] * offset[:, 0]) / safe
    hit = (double_area != 0) & (u >= 0) & (v >= 0) & (u + v <= 1)
    height = (corners[:, 0, 2] + u * edge_1[:, 2] + v * edge_2[:, 2])[hit]
    first = np.clip(np.ceil(height), 0, shape[2]).astype(int)
    x, y = column[hit].T
    np.add.at(crossed, (x, y, first), -np.sign(double_area[hit]).astype(np.int16))
    inside: npt.NDArray[np.bool_] = np.cumsum(crossed, axis=2, dtype=np.int16)[:, :, :-1] > 0
    return inside


def _columns_under(flat: Float, shape: npt.NDArray[np.int64]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Triangle number and (x, y) of every lattice column in the bounding box of each (M, 3, 2) flat triangle."""
    low = np.maximum(np.ceil(flat.min(axis=1)).astype(np.int64), 0)
    high = np.minimum(np.floor(flat.max(axis=1)).astype(np.int64), shape[:2] - 1)
    wide = np.maximum(high - low + 1, 0)
    counts = wide[:, 0] * wide[:, 1]
    which = np.repeat(np.arange(len(flat)), counts)
    nth = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    return which, low[which] + np.stack(
        [nth // np.maximum(wide[which, 1], 1), nth % np.maximum(wide[which, 1], 1)], axis=-1
    )


def voxelised_scan(
    meshes: Mapping[str, Mesh],
    grid: Grid,
    *,
    canal: CanalPath | None = None,
    scanner: Scanner | None = None,
    spec: SpineSpec | None = None,
    bystanders: Sequence[Bystander] = (),
) -> PhantomScan:
    """CT, MR and labels of vertebra meshes.

    Parameters
    ----------
    meshes : vertebra name -> mesh; where two overlap the later one wins
    canal : drawn where there is no bone; None leaves soft tissue
    spec : whose bone HU, patches and cortex are used
    bystanders : drawn in the soft tissue, by voxel centre

    Labels are ``UNDIVIDED`` bone where at least half of the voxel is in a mesh.
    """
    spec, scanner = spec or SpineSpec(), scanner or Scanner()
    ct_table, mr_units = ct_table_hu(spec), mr_table()
    labels, material = _surroundings(meshes, grid, canal, bystanders)
    ct, mr = ct_table[material].astype(np.float32), mr_units[material].astype(np.float32)
    marrow = np.zeros(grid.shape, dtype=np.float32)
    for name, mesh in meshes.items():
        share = occupancy_of(mesh, grid)
        labels[share >= 0.5] = label_of(name, Part.UNDIVIDED)
        shell = np.minimum(cortex_of(mesh, grid, CORTEX_MM * spec.cortex_frac), share)
        marrow += share - shell
        for image, table in ((ct, ct_table), (mr, mr_units)):
            hard, soft = (np.float32(table[kind]) for kind in (Material.CORTICAL, Material.TRABECULAR))
            image += shell * (hard - image) + (share - shell) * (soft - image)
    if spec.patchy_hu:
        ct += marrow * patches(grid, spec.patchy_hu, scanner.seed)
    return finished_scan(ct, mr, labels, grid, scanner)


def cortex_of(mesh: Mesh, grid: Grid, cortex_mm: float) -> npt.NDArray[np.float32]:
    """(nx, ny, nz) float32 array: share of each voxel that is in the mesh, within a depth of its surface.

    From distances on a lattice of CORTEX_STEP_MM at most, so that a cortex thinner than a voxel stays whole.
    Works slab by slab, each with the neighbours its distances need.
    """
    share = np.zeros(grid.shape, dtype=np.float32)
    split = np.maximum(np.ceil(grid.spacing_mm / CORTEX_STEP_MM), 1).astype(int)
    index = grid.index_of(mesh.vertices_mm)
    halo = np.ceil(cortex_mm / grid.spacing_mm).astype(int) + 1
    low = np.maximum(np.floor(index.min(axis=0)).astype(int) - halo, 0)
    high = np.minimum(np.ceil(index.max(axis=0)).astype(int) + 1 + halo, grid.shape)
    for start in range(low[0], high[0], SLAB_VOXELS):
        stop = min(start + SLAB_VOXELS, high[0])
        first, last = max(start - halo[0], 0), min(stop + halo[0], grid.shape[0])
        corner, size = np.array([first, *low[1:]]), np.array([last, *high[1:]]) - [first, *low[1:]]
        if size.min() > 0:
            found = _slab_cortex(index - corner, mesh.triangles, size, (split, grid.spacing_mm / split, cortex_mm))
            share[start:stop, low[1] : high[1], low[2] : high[2]] = found[start - first : stop - first]
    return share


def _slab_cortex(
    vertices: Float, triangles: npt.NDArray[np.int64], size: npt.NDArray[np.int64], depth: tuple[Float, Float, float]
) -> npt.NDArray[np.float32]:
    """(size) array: share of cortex; `depth` is the samples per voxel edge, their step in mm, the cortex in mm."""
    n, step_mm, cortex_mm = np.asarray(depth[0], dtype=int), depth[1], depth[2]
    inside = inside_lattice((vertices + 0.5) * n - 0.5 + OFF_LATTICE, triangles, size * n)
    # a sample's distance to the nearest sample outside is half a step more than to the surface
    deep = edt.edt(np.asfortranarray(inside), anisotropy=tuple(step_mm)) - float(step_mm.min()) / 2
    shell = (inside & (deep <= cortex_mm)).reshape(size[0], n[0], size[1], n[1], size[2], n[2])
    found: npt.NDArray[np.float32] = shell.mean(axis=(1, 3, 5), dtype=np.float32)
    return found


def _surroundings(
    meshes: Mapping[str, Mesh], grid: Grid, canal: CanalPath | None, bystanders: Sequence[Bystander]
) -> tuple[Labels, npt.NDArray[np.uint8]]:
    """Labels and materials without bone: muscle, fat and skin behind the bone, air beyond, the stand-in canal."""
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
        if bystanders:
            points = world.reshape(-1, 3)
            material[i] = with_bystanders(bystanders, points, material[i].ravel()).reshape(world.shape[:2])
        if canal is not None:
            _draw_canal(canal, world, labels[i], material[i])
    return labels, material


def _draw_canal(canal: CanalPath, world_mm: Float, labels: Labels, material: npt.NDArray[np.uint8]) -> None:
    """Epidural fat in an elliptic tube about the path (a function of height), fluid in its inner part."""
    order = np.argsort(canal.points_mm[:, 2])
    heights = canal.points_mm[order, 2]
    x = (world_mm[..., 0] - np.interp(world_mm[..., 2], heights, canal.points_mm[order, 0])) / canal.half_width_mm
    y = (world_mm[..., 1] - np.interp(world_mm[..., 2], heights, canal.points_mm[order, 1])) / canal.half_depth_mm
    radius = np.where((world_mm[..., 2] >= heights[0]) & (world_mm[..., 2] <= heights[-1]), np.hypot(x, y), np.inf)
    for limit, tissue, kind in ((1.0, Tissue.CANAL, Material.FAT), (CANAL_SAC_FRAC, Tissue.SAC, Material.FLUID)):
        labels[radius < limit], material[radius < limit] = tissue, kind
