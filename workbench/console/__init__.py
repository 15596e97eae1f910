"""What verbs share: options, plans and results in the case, tables, output."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "json_results": ["exit_status"],
        "options": ["add_case", "add_json", "add_strict"],
        "output": ["CommandOutput"],
        "plan_store": ["of_anatomy"],
    },
)
