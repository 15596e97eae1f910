"""Formulas of the swept channel and compiled loops over them; nothing here knows anatomy."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "bricks": ["Bricks"],
        "level_arrays": ["F32", "F64", "LevelArrays", "SampleRows"],
        "region_protocol": ["Region"],
    },
)
