"""Names of the vertebrae as a probability over all countings of the column."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "level_names": ["AGAINST_FRAC", "CONTRADICTED", "GIVEN", "GIVEN_SAID", "column_of", "names"],
    },
)
