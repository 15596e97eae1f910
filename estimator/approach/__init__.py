"""The surgeon's decisions: an approach, its instrument, many approaches as a table, and execution errors."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "approach": ["Approach", "PlacedPhase", "other_side", "placed_phases"],
        "instrument": ["Channel"],
        "table": ["ApproachTable"],
    },
)
