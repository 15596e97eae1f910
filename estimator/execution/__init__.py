"""Simulated executions of a planned resection, and the uncertainty of its numbers and verdict that they give."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "executed_resection": ["executed_resection"],
        "resection_intervals": ["resection_intervals"],
        "uncertainty_values": ["ExecutionTrial", "ResectionIntervals"],
        "uncertain_json": ["uncertain_as_json"],
    },
)
