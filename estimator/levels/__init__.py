"""Several levels of one spine: losses of a shared arch counted once, the bridge between two windows, one skin entry."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "levels_json": ["levels_as_json"],
        "several_levels": ["several_levels"],
        "shared_entry": ["shared_entry"],
    },
)
