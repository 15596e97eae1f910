"""An opened case, and what is kept of a tab between requests."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "case_facts": ["InitialPlan"],
        "request": ["Cancelled", "Json", "RequestJob", "RequestKind"],
        "session": ["Session"],
    },
)
