"""From a scan to an anatomy, corrections of it, and the case folder that keeps both."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "anatomy_builder": ["anatomy_of"],
        "corrections": ["correction_sentences"],
        "folder": ["Case", "changing", "read_case", "write_case"],
    },
)
