"""The best approaches to a level."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "best_approach": ["search"],
        "search_json": ["search_as_json"],
        "search_task": ["Progress", "SearchTask"],
        "search_values": ["SearchResult"],
    },
)
