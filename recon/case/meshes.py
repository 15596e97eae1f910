"""The meshes a case keeps: one closed surface per vertebra, the canal and the dural sac."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage, sparse

from canalwise.recon.anatomy import Anatomy
from canalwise.recon.grid import Box, box_of
from canalwise.recon.image.isosurface import VOLUME_TOL_FRAC, ClosedSurface, decimated, mesh_of, write_stl
from canalwise.recon.labels import (
    Labels,
    Mask,
    Tissue,
    bone_mask,
    canal_mask,
    vertebra_mask,
    vertebra_number,
    vertebrae_in,
)
from canalwise.recon.level.resampled_level import Float32, Share, antialiased
from canalwise.recon.parallel import side_by_side

RING = 2
"""Partly filled voxels within this many steps of a vertebra's labelled bone belong to it, as in the estimates."""

KEPT_FRAC = 0.3
"""Share of the triangles kept: the rest lie in nearly flat patches, where they tell nothing."""

LEAST_SHARE = 0.5
"""A structure of which no voxel is at least half full is too faint to draw."""

SPECK_MM3 = 1.0
"""Shells smaller than this are no anatomy: a few voxels of any scan that can be planned on."""

FAINT_SHARE = 1e-3
"""Softened shares below this are nothing."""

MARGIN = 3
"""Voxels left round a structure: more than RING and more than the reach of `antialiased`."""


def write_meshes(folder: Path, anatomy: Anatomy) -> dict[str, dict[str, Any]]:
    """Write NAME.stl for every structure in view into an existing folder.

    Returns file name -> volume_mm3, occupied_mm3 (what the volume should be) and triangles.

    >>> import tempfile
    >>> from canalwise.recon.grid import isotropic_grid
    >>> labels = np.zeros((9, 9, 9), np.uint16); labels[3:6, 3:6, 3:6] = 2201
    >>> anatomy = Anatomy(isotropic_grid([0, 0, 0], [8, 8, 8], 1.0), labels, (labels > 0).astype(np.float32), ())
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     [(name, round(facts["volume_mm3"])) for name, facts in write_meshes(Path(folder), anatomy).items()]
    [('L3.stl', 27)]
    """
    facts = {}
    for name, surface in structure_meshes(anatomy):
        write_stl(folder / f"{name}.stl", surface)
        facts[f"{name}.stl"] = {
            "volume_mm3": round(surface.volume_mm3, 1),
            "triangles": len(surface.faces),
            "occupied_mm3": round(surface.occupied_mm3, 1),
        }
    return facts


def structure_meshes(anatomy: Anatomy) -> Iterator[tuple[str, ClosedSurface]]:
    """(name, closed surface in RAS mm) of each vertebra, cranial to caudal, then 'canal' and 'dural_sac'.

    A surface encloses the integral of its structure's share, within VOLUME_TOL_FRAC where any level set can.
    Structures not in view, or too faint to draw, are left out, and so are pores and crumbs under SPECK_MM3.
    """
    spine = bone_mask(anatomy.labels) | canal_mask(anatomy.labels)
    if not spine.any():
        return
    # the spine is a small part of a whole scan
    around = _box_of(spine)
    grid = anatomy.grid.cropped(around)

    def drawn(found: tuple[str, Box, Share]) -> tuple[str, ClosedSurface]:
        name, box, share = found
        return name, decimated_mesh(without_specks(mesh_of(share, grid.cropped(box))))

    shares = _shares(anatomy.labels[around], anatomy.occupancy[around])
    yield from side_by_side(drawn, (found for found in shares if found[2].max(initial=0.0) >= LEAST_SHARE))


def decimated_mesh(surface: ClosedSurface) -> ClosedSurface:
    """The surface with about KEPT_FRAC of its triangles, or all where fewer would cost volume or open it."""
    allowed = max(VOLUME_TOL_FRAC, abs(surface.volume_error_frac))
    small = decimated(surface, KEPT_FRAC)
    return small if abs(small.volume_error_frac) <= allowed and closed_in_single(small) else surface


def closed_in_single(surface: ClosedSurface) -> bool:
    """Is the surface still closed for a reader who joins corners that are alike in STL's single precision?

    >>> corners = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]])
    >>> faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
    >>> closed_in_single(ClosedSurface(corners, faces)), closed_in_single(ClosedSurface(corners, faces[:3]))
    (True, False)
    """
    points, joined = np.unique(surface.vertices_ras_mm.astype(np.float32), axis=0, return_inverse=True)
    return ClosedSurface(points.astype(float), joined.reshape(-1)[surface.faces]).watertight


def without_specks(surface: ClosedSurface) -> ClosedSurface:
    """The surface without its separate shells of less than SPECK_MM3: pores and crumbs that noise makes."""
    starts, ends = surface.faces.ravel(), np.roll(surface.faces, -1, axis=1).ravel()
    count = len(surface.vertices_ras_mm)
    joins = sparse.coo_matrix((np.ones(len(starts), dtype=np.int8), (starts, ends)), shape=(count, count))
    shell = sparse.csgraph.connected_components(joins, directed=False)[1][surface.faces[:, 0]]
    a, b, c = np.moveaxis((surface.vertices_ras_mm - surface.vertices_ras_mm.mean(axis=0))[surface.faces], 1, 0)
    sizes = np.abs(np.bincount(shell, weights=np.einsum("ij,ij->i", a, np.cross(b, c)) / 6))
    used, faces = np.unique(surface.faces[sizes[shell] >= SPECK_MM3], return_inverse=True)
    return replace(surface, vertices_ras_mm=surface.vertices_ras_mm[used], faces=faces.reshape(-1, 3))


def _shares(labels: Labels, occupancy: Share) -> Iterator[tuple[str, Box, Share]]:
    """(name, index box, share of each voxel in the box) of each structure."""
    for name in vertebrae_in(labels):
        box = _box_of(vertebra_mask(labels, vertebra_number(name)))
        yield name, box, vertebra_share(labels[box], occupancy[box], name)
    for name, mask in (("canal", canal_mask(labels)), ("dural_sac", labels == Tissue.SAC)):
        if mask.any():
            box = _box_of(mask)
            yield name, box, _soft_edged(mask[box])


def vertebra_share(labels: Labels, occupancy: Share, name: str) -> npt.NDArray[np.floating]:
    """(same shape) array: the bone share of one vertebra; a partly filled voxel goes to the nearest labelled bone.

    >>> labels = np.array([[[2201, 0, 0, 2301]]], np.uint16)
    >>> vertebra_share(labels, np.array([[[1.0, 0.5, 0.25, 1.0]]]), "L3").tolist()
    [[[1.0, 0.5, 0.0, 0.0]]]
    """
    owner = np.where(bone_mask(labels), labels // 100, 0).astype(np.uint8)
    for _ in range(RING):
        owner = np.where(owner, owner, ndimage.maximum_filter(owner, 3, mode="constant"))
    return np.where(owner == vertebra_number(name), occupancy, 0)


def _soft_edged(mask: Mask) -> Float32:
    """A label's share: its steps softened without changing its sum, so that the mesh is no staircase."""
    share = antialiased(mask)
    share[share < FAINT_SHARE] = 0.0
    return share


def _box_of(mask: Mask) -> Box:
    """The index box of a mask with MARGIN round it, clipped to the array."""
    box = box_of(mask, MARGIN)
    assert box is not None
    return box
