"""All numbers of one approach with intervals, limit checks, probabilities and what stops it."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "estimate": ["Estimate", "estimate_of"],
        "estimate_json": ["estimate_as_json"],
        "intervals": ["intervals_of"],
        "limit_checks": ["verdicts_of"],
        "task_reach": ["reached_exactly"],
    },
)
