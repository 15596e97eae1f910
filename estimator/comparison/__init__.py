"""Plans and accesses compared on paired samples."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "access_results": ["AccessComparison"],
        "accesses": ["compared_accesses"],
        "accesses_json": ["comparison_as_json"],
        "plan_rows": ["PlanTableTask"],
        "plan_table": ["pinned"],
        "plan_table_json": ["plan_table_as_json"],
    },
)
