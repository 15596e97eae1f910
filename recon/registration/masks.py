"""Which voxels a vertebra is laid on another scan by: what moves with it, and what an operation from behind leaves.

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

APART_MM = 1.5
"""Distance kept from other vertebrae and from bone that may have been taken: what blur carries over."""

LEFT_ALONE = (Part.BODY, Part.PEDICLE_LEFT, Part.PEDICLE_RIGHT)

Spacing = tuple[float, float, float]


def untouched_mask(labels: Labels, grid: Grid, vertebra: str, rim_mm: float = RIM_MM) -> tuple[Mask, Box] | None:
    """(mask, index box it lies in): what a vertebra is registered by; None where its body is not in view."""
    number = vertebra_number(vertebra)
    own = vertebra_mask(labels, number) & np.isin(labels % 100, LEFT_ALONE)
    box = box_of(own, np.ceil((rim_mm + 2.0) / grid.spacing_mm))
    if box is None:
        return None
    return _rimmed(labels[box], own[box], number, grid, rim_mm), box


def _rimmed(labels: Labels, own: Mask, number: int, grid: Grid, rim_mm: float) -> Mask:
    near = _distance_mm(own, grid) <= rim_mm
    other = bone_mask(labels) & ~own
    kept: Mask = near & (_distance_mm(other, grid) > APART_MM) & ~canal_mask(labels)
    return kept


def _distance_mm(mask: Mask, grid: Grid) -> Float:
    """Distance of each voxel's centre to the nearest voxel of a mask."""
    if not mask.any():
        return np.full(mask.shape, np.inf)
    return np.asarray(edt.edt(np.asfortranarray(~mask), anisotropy=tuple(float(s) for s in grid.spacing_mm)))


def bone_about_mm(labels: Labels, grid: Grid, vertebra: str, step_mm: float = 3.0) -> Float:
    """(N, 3) RAS mm: a fixed lattice of places over a whole vertebra, by which differences of motions are told."""
    number = vertebra_number(vertebra)
    step = np.maximum(np.rint(step_mm / grid.spacing_mm).astype(int), 1)
    thinned = vertebra_mask(labels[:: step[0], :: step[1], :: step[2]], number)
    return np.asarray(grid.world_mm(np.argwhere(thinned) * step))
