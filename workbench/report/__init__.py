"""The report about one approach, as one self-contained page and as PDF."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "confidence_section": ["names_sentence", "sure_sentence"],
        "facts": ["facts_of"],
        "pdf": ["report_pdf"],
        "plan_section": ["phase_rows"],
        "report": ["page_of"],
    },
)
