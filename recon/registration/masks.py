"""Masks by which a vertebra is registered: what moves with it and is left by a dorsal operation.

Body and pedicles are never taken in a posterior decompression (common practice, no source). About them lie disc, fat
and muscle, whose borders with bone carry most of what an image knows of its place: the mask takes in a rim of those,
but no bone of another vertebra, and nothing of the arch that may have been taken.
"""

from __future__ import annotations

import edt
import numpy as np

from canalwise.recon.grid import Box, Float, Grid, box_of
from canalwise.recon.labels import Labels, Mask, Part, bone_mask, canal_mask, vertebra_mask, vertebra_number

RIM_MM = 3.0
"""Depth of what is looked at about the bone (scripts/accuracy_audit.py)."""

WIDE_RIM_MM = 5.0
"""The same where nothing was taken: the canal's border with bone shows on CT and MR (scripts/accuracy_audit.py)."""

APART_MM = 1.5
"""Distance kept from other vertebrae and from bone that may have been taken: what blur carries over."""

LEFT_ALONE = (Part.BODY, Part.PEDICLE_LEFT, Part.PEDICLE_RIGHT)

Spacing = tuple[float, float, float]


def untouched_mask(labels: Labels, grid: Grid, vertebra: str) -> tuple[Mask, Box] | None:
    """What a vertebra is registered by after an operation; None without its body.

    Parameters
    ----------
    labels : (nx, ny, nz) array on `grid`

    Returns
    -------
    mask : array of the box's shape
    box : index box it lies in
    """
    return _about_body(labels, grid, vertebra, RIM_MM, False)


def unoperated_mask(labels: Labels, grid: Grid, vertebra: str) -> tuple[Mask, Box] | None:
    """As `untouched_mask`, where nothing was done between both scans: wider, and with the canal and the arch.

    `labels` (nx, ny, nz) on `grid`.
    """
    return _about_body(labels, grid, vertebra, WIDE_RIM_MM, True)


def _about_body(labels: Labels, grid: Grid, vertebra: str, rim_mm: float, everything: bool) -> tuple[Mask, Box] | None:
    number = vertebra_number(vertebra)
    own = vertebra_mask(labels, number) & np.isin(labels % 100, LEFT_ALONE)
    box = box_of(own, np.ceil((rim_mm + 2.0) / grid.spacing_mm))
    if box is None:
        return None
    part, mine = labels[box], own[box]
    other = bone_mask(part) & ~(vertebra_mask(part, number) if everything else mine)
    kept: Mask = (_distance_mm(mine, grid) <= rim_mm) & (_distance_mm(other, grid) > APART_MM)
    return kept if everything else kept & ~canal_mask(part), box


def _distance_mm(mask: Mask, grid: Grid) -> Float:
    """Distance of each voxel's centre to the nearest voxel of a mask."""
    if not mask.any():
        return np.full(mask.shape, np.inf)
    return np.asarray(edt.edt(np.asfortranarray(~mask), anisotropy=tuple(float(s) for s in grid.spacing_mm)))


def bone_about_mm(labels: Labels, grid: Grid, vertebra: str, step_mm: float = 3.0) -> Float:
    """(N, 3) RAS mm: a fixed lattice of places over a whole vertebra, by which differences of motions are measured.

    >>> labels = np.zeros((4, 4, 4), dtype=np.uint16)
    >>> labels[0, 0, :] = 100 * vertebra_number("L4") + 1
    >>> bone_about_mm(labels, Grid((4, 4, 4), np.eye(4)), "L4").tolist()
    [[0.0, 0.0, 0.0], [0.0, 0.0, 3.0]]
    """
    number = vertebra_number(vertebra)
    step = np.maximum(np.rint(step_mm / grid.spacing_mm).astype(int), 1)
    thinned = vertebra_mask(labels[:: step[0], :: step[1], :: step[2]], number)
    return np.asarray(grid.world_mm(np.argwhere(thinned) * step))
