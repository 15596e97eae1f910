"""What one approach takes and keeps: bone, facet joints, pars, spinous base, canal area, reach."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "bone_removal": ["Removal"],
        "facet_interval": ["joint_sds"],
    },
)
