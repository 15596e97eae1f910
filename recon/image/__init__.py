"""Voxel images as such: resampling, morphology, skin, implants, closed surfaces; nothing here knows a vertebra."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "morphology": ["dilated"],
        "sampling": ["linear_box"],
        "skin": ["skin_point_mm"],
        "volume": ["Volume", "Voxels", "check_budget"],
    },
)
