"""Many cases at a time: their list, the steps each goes through on Dask workers, and the tables and page they make."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "case_list": ["read_list"],
        "steps": ["STEPS"],
        "whole_cohort": ["cohort"],
    },
)
