"""Measurements of a level with severity bands, and how sure each of them is."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "all_measurements": ["measurements_of"],
        "confidence": ["CHECK_BELOW", "border_sd_mm", "check_sentence", "with_confidence"],
        "context": ["MeasurementContext"],
    },
)
