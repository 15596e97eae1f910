"""A spine as implicit functions: bone, joints, canal, soft tissue, bystanders."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "bystanders": ["Bystander"],
        "intensities": ["Material", "ct_table_hu", "mr_table"],
        "spine": ["spine_of"],
        "spine_model": ["Spine"],
    },
)
