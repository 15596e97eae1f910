"""Bone as an occupancy of each voxel, and the bony rings in it that enclose the canal."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "occupancy": ["BoneModel", "SOFT_RANGE_HU", "bone_model", "occupancy_within", "wall_mask"],
        "ring_centres": ["canal_seeds_mm"],
    },
)
