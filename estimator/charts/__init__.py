"""Charts of a plan's numbers over tilt, entry and instrument."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "all_charts": ["Chart", "charts_of"],
        "entry_map": ["EntryMap"],
        "instrument_chart": ["DiameterCurve", "InstrumentChart"],
        "tilt_chart": ["TiltChart"],
    },
)
