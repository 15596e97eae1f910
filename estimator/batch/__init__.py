"""Many approaches at a time on CPU or GPU, and their score against limits and targets."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "outcomes_by_relation": [
            "ENOUGH_FRAC",
            "OutcomesByRelation",
            "RequiredTargets",
            "USUAL_WANTED",
            "margins_frac",
            "pars_before_mm",
        ],
    },
)
