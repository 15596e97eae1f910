"""A folder of vertebra surfaces as a scan and a label map: one bone per vertebra, its parts not known.

Files end in `_<vertebra>_mm.stl` or are named `<vertebra>.stl`, and lie in one frame with +x anterior, +y left and
+z cranial, as the open lumbar mean shapes do. The canal that the stand-in tissue is drawn about follows the
middle of each vertebra's own foramen; it is not part of the label map, for the shapes do not give it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import trimesh
from scipy import ndimage

from canalwise.phantoms.imaging.scanner import PhantomScan
from canalwise.phantoms.imaging.voxelise import SKIN_BEHIND_MM, CanalPath, Mesh, occupancy_of, voxelised_scan
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float, Grid, isotropic_grid
from canalwise.recon.labels import VERTEBRAE, Labels

MARGIN_MM = 6.0
"""Soft tissue kept around the bones; behind them the scan goes on to the skin and into air."""

AIR_MM = 8.0

FORAMEN_STEP_MM = 1.5
"""Spacing at which a vertebra's foramen is looked for; only its middle is used."""

LEAST_FORAMEN_MM2 = 60.0
"""A ring of bone closed around less than this is no vertebral foramen (common practice, no source)."""

TO_RAS = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
"""From anterior, left, cranial to right, anterior, cranial."""


def read_meshes(folder: Path) -> dict[str, Mesh]:
    """Vertebra name -> its surface in RAS mm, cranial to caudal; WrongUse when the folder holds none.

    >>> read_meshes(Path("no-such-folder"))
    Traceback (most recent call last):
    ...
    canalwise.recon.errors.WrongUse: ...
    """
    found: dict[str, Mesh] = {}
    for path in sorted(folder.glob("*.stl")):
        name = re.search(r"(?:^|_)([TLS]\d+)(?:_mm)?$", path.stem)
        if name and name[1] in VERTEBRAE:
            surface = trimesh.load_mesh(path)
            found[name[1]] = Mesh(np.asarray(surface.vertices) @ TO_RAS.T, np.asarray(surface.faces))
    if not found:
        raise WrongUse(
            "the mesh folder",
            "must hold one STL per vertebra, named like mean_L3_mm.stl",
            do="Give the folder that holds them.",
        )
    return {name: found[name] for name in VERTEBRAE if name in found}


def foramen_axis_mm(mesh: Mesh) -> Float:
    """(2, 3) array: middles of the highest and lowest axial slice in which the vertebra's bone is a closed ring."""
    grid = isotropic_grid(mesh.vertices_mm.min(axis=0) - 2, mesh.vertices_mm.max(axis=0) + 2, FORAMEN_STEP_MM)
    bone = occupancy_of(mesh, grid) >= 0.5
    middles = []
    for k in range(grid.shape[2]):
        hole = ndimage.binary_fill_holes(bone[:, :, k]) & ~bone[:, :, k]
        if hole.sum() * FORAMEN_STEP_MM**2 >= LEAST_FORAMEN_MM2:
            middles.append(grid.world_mm([*np.argwhere(hole).mean(axis=0), k]))
    if not middles:
        raise WrongUse("mesh", "must close a ring of bone around the canal in some axial slice")
    return np.array([middles[-1], middles[0]])


def canal_of(meshes: Mapping[str, Mesh]) -> CanalPath:
    """A stand-in canal through the foramina, cranial to caudal, prolonged past the outer two."""
    axis = np.concatenate([foramen_axis_mm(mesh) for mesh in meshes.values()])
    ends = np.stack([2 * axis[0] - axis[1], 2 * axis[-1] - axis[-2]])
    return CanalPath(np.concatenate([ends[:1], axis, ends[1:]]))


def mesh_scan(meshes: Mapping[str, Mesh], spacing_mm: float = 0.5) -> PhantomScan:
    """CT, MR and label map of the meshes with stand-in soft tissue, skin behind and air beyond."""
    corners = np.concatenate([mesh.vertices_mm for mesh in meshes.values()])
    low, high = corners.min(axis=0) - MARGIN_MM, corners.max(axis=0) + MARGIN_MM
    low[1] -= SKIN_BEHIND_MM + AIR_MM - MARGIN_MM
    grid: Grid = isotropic_grid(low, high, spacing_mm)
    return voxelised_scan(meshes, grid, canal=canal_of(meshes))


def bones_only(labels: Labels) -> Labels:
    """The label map without what was only drawn around the bone.

    >>> bones_only(np.array([4, 2200], np.uint16)).tolist()
    [0, 2200]
    """
    return np.where(labels >= 100, labels, np.uint16(0))
