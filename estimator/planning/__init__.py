"""Start of an approach: docking, canal entry, skin entry, the default plan."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "canal_entry": ["canal_entry_of"],
        "clock_positions": ["FAR_SIGHTS"],
        "entry_variation": ["EntryVariation", "entry_variation_of"],
        "pivot_constraint": ["repeated"],
        "skin_entry": ["skin_entry_of"],
    },
)
