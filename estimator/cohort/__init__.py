"""Many cases: which numbers of a case make its row, and what the rows say together."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "agreement": ["limits_of_agreement"],
        "columns": ["COLUMNS", "row_values"],
        "distribution": ["distribution_of"],
    },
)
