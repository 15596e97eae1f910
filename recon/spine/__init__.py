"""The column: where it runs, its bodies, discs and arches, the parts of each arch, the names of its levels."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "arch_parts": ["divide_arches"],
        "arches": ["pedicle_heights_mm"],
        "axial_profile": ["BIN_MM", "SpineProfile"],
        "canal_coordinates": ["SpineField"],
        "spine_field": ["spine_field"],
    },
)
