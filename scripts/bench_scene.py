"""What the benchmark works on: one narrowed level of a phantom, and a few approaches to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import ndimage

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.table import ApproachTable, table_of
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import blocks
from canalwise.phantoms.spec import LevelKnobs, SpineSpec
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.motion_segments import levels_of
from canalwise.recon.labels import bone_mask

LEVEL = "L3-L4"
SPEC = SpineSpec(levels={LEVEL: LevelKnobs(canal_narrowing_mm=1.5, flavum_overgrowth_mm=(2.0, 2.0))})
"""A narrow canal with thick ligaments: the case the approach is made for."""

SPACING_MM = 0.5
EDGE_BLUR_VOXELS = 0.4
"""Gives the label map's hard border the partial volumes a scan would have: a voxel's own box alone is 0.29 wide.

At 0.6 a surface drawn at one level loses 1 to 1.5 % of the thin laminae, and the mesh is no equal rival any more."""

TILTS_DEG = (-6.0, -3.0, 0.0, 3.0, 6.0)
"""Added to the usual start's medial tilts, so that no two estimates are alike."""


def narrow_level(spacing_mm: float = SPACING_MM) -> Anatomy:
    """The narrowed level on voxels of that size."""
    return level_of(SPEC, spacing_mm)


def level_of(spec: SpineSpec, spacing_mm: float, blur_voxels: float = EDGE_BLUR_VOXELS) -> Anatomy:
    """A spine's LEVEL on voxels of that size, straight from the phantom's labels, their border blurred."""
    spine, grid = spine_of(spec), natural_grid(spec, spacing_mm, (LEVEL,))
    labels = np.zeros(grid.shape, dtype=np.uint16)
    for box in blocks(grid):
        part = grid.cropped(box)
        labels[box] = spine.label_and_depth(part.voxel_centres_mm().reshape(-1, 3))[0].reshape(part.shape)
    occupancy = ndimage.gaussian_filter(bone_mask(labels).astype(np.float32), blur_voxels)
    occupancy[occupancy < 1e-3] = 0.0
    return Anatomy(grid, labels, occupancy, levels_of(labels, occupancy, grid), {"sac": "given"})


def scattered(anatomy: Anatomy, count: int, seed: int = 0) -> ApproachTable:
    """So many approaches scattered about the usual start from the left: docking, tilts and sweep all differ."""
    rng = np.random.default_rng(seed)
    start = table_of([default_approach(anatomy, LEVEL, "left")]).rows(np.zeros(count, dtype=np.intp))
    return replace(
        start,
        docking_mm=start.docking_mm + rng.uniform(-3, 3, (count, 3)),
        medial_deg=start.medial_deg + rng.uniform(-8, 8, (count, 2)),
        cranial_deg=start.cranial_deg + rng.uniform(-8, 8, (count, 2)),
        sweep_deg=rng.uniform(2, 4, (count, 2)),
    )


def approaches(anatomy: Anatomy) -> tuple[Approach, ...]:
    """The usual start from the left, and the same tilted a little to either side."""
    start = default_approach(anatomy, LEVEL, "left")
    return tuple(
        replace(start, phases=tuple(replace(p, medial_tilt_deg=p.medial_tilt_deg + tilt) for p in start.phases))
        for tilt in TILTS_DEG
    )
