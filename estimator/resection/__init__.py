"""What an instrument can take of that, and the least bone that has to go for it."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "resection": ["resection_level_of", "resection_of"],
        "resection_level": ["Resection", "ResectionLevel"],
        "tool_lines": ["STOPPED_BY"],
        "tunnels": ["SleeveRegion"],
    },
)
