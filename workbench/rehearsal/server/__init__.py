"""Serving the page on loopback: application, jobs, security."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "malloc_trim": ["trimmed_heap"],
        "security": ["LOOPBACK"],
        "server": ["BoundServer", "ServerAddress", "serving"],
    },
)
