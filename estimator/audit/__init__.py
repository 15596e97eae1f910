"""Audit of an operation: bone lost between two scans, held against the plan and against what must stay."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "audit": ["Audit", "audit_of"],
        "audit_json": ["audit_as_json"],
        "scan_pair": ["ScanPair", "pair_of"],
    },
)
