"""The column: where it runs, its bodies, discs and arches, and the parts of each arch."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "arch_parts": ["divide_arches"],
        "arches": ["pedicle_heights_mm"],
        "axial_profile": ["BIN_MM", "SpineProfile"],
        "canal_coordinates": ["SpineField"],
        "region_of_interest": ["coarse"],
    },
)
