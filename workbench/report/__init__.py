"""The report about one approach, as one self-contained page and as PDF."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "confidence_section": ["sure_sentence"],
        "pdf": ["report_pdf"],
        "plan_section": ["phase_rows"],
        "facts": ["facts_of"],
        "report": ["page_of", "report_of"],
    },
)
