"""What must be freed at a level, whatever the approach: the room that sac and roots need, and what stands in it."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "decompression_set": ["KIND_NAMES", "OVERHANG"],
        "level_cells": ["CELL_MM", "LevelCells"],
        "rules": ["ResectionRules"],
        "set_values": ["DecompressionSet"],
    },
)
