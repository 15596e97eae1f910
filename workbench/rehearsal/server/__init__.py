"""Serving the page on loopback: application, jobs, security."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "jobs": ["answering_threads"],
        "malloc_trim": ["trimmed_heap"],
        "registry": ["request_kinds"],
        "security": ["LOOPBACK"],
        "server": ["BoundServer", "serving"],
    },
)
