"""Removal by one approach's cone, and what it keeps: bone, facet joints, pars, spinous base, canal area, reach."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "bone_removal": ["Removal"],
        "facet_preservation": ["FacetPreservation"],
        "pars_and_spinous_base": ["pars_of"],
        "reach": ["Reach", "touch_of"],
        "region": ["TaskRegion"],
    },
)
