"""The theatre sheet: one page with what the team needs within reach."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "pdf": ["sheet_pdf"],
        "sheet": ["sheet_html", "sheet_of"],
    },
)
