"""Charts of an estimate and of other tilts, entries and instruments."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "chart_files": ["write_chart"],
        "estimate_charts": ["NOT_KNOWN", "bone_chart", "comparison_chart"],
        "plan_charts": ["caption_of", "figure_of"],
    },
)
