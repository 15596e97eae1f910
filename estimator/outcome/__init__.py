"""Outcome of a resection: freed areas, cost, steps of the operation and the verdict."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "decompression_json": ["decompression_as_json"],
        "label_maps": ["resection_map", "room_map"],
    },
)
