"""Phantoms with their own labels given, each made once for all tests of a run."""

from __future__ import annotations

import numpy as np

from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import blocks
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.motion_segments import levels_of
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Labels, bone_mask
from tests.shared import shared

LEVEL, SPACING_MM = "L3-L4", 0.9


@shared
def labelled(spec: SpineSpec) -> Anatomy:
    """A phantom's level, its own labels given, bone all or nothing."""
    grid = natural_grid(spec, SPACING_MM, (LEVEL,))
    labels = labels_on(spec, grid)
    bone = bone_mask(labels).astype(np.float32)
    return Anatomy(grid, labels, bone, levels_of(labels, bone, grid), {"sac": "given"})


def labels_on(spec: SpineSpec, grid: Grid) -> Labels:
    """Labels at voxel centres: what a rendered scan has, without its images."""
    spine = spine_of(spec)
    labels = np.zeros(grid.shape, dtype=np.uint16)
    for box in blocks(grid):
        part = grid.cropped(box)
        labels[box] = spine.label_and_depth(part.voxel_centres_mm().reshape(-1, 3))[0].reshape(part.shape)
    return labels
