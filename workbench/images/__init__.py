"""Pictures of scan, anatomy and plan: slices, solids, digitally reconstructed radiographs."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "names_picture": ["names_figure"],
        "planned_case": ["PlannedCase", "PlannedRemoval"],
        "radiograph_view": ["Radiograph", "RadiographView"],
        "slices": ["slice_figure"],
    },
)
