"""How things look and read everywhere: palette, phrases, templates, pictures as text, PDF parts."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "data_uris": ["drawing_style"],
        "palette": ["INK", "phase_colour"],
        "phrases": ["amount", "number", "percent"],
    },
)
