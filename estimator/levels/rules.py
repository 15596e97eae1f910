"""Numbers that plans of several levels rest on, each a record with its source and class of evidence."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from canalwise.estimator.limits import Limit

RULES: Mapping[str, Limit] = MappingProxyType(
    {
        "lamina_bridge_mm": Limit(
            5.0,
            "mm",
            "as much of a lamina between two windows as of a pars; an assumption, common practice, no source",
            "PRACTICE",
        ),
        "remaining_frac": Limit(
            0.5, "fraction", "a row of a lamina stands where half of its thickness stays; choice, no source", "PRACTICE"
        ),
        "facing_mm": Limit(
            2.0, "mm", "two windows face each other where they come as near across; choice, no source", "PRACTICE"
        ),
        "incision_mm": Limit(
            20.0,
            "mm",
            "two channels through one skin incision: no further apart at the skin than it and its give; common "
            "practice, no source",
            "PRACTICE",
        ),
    }
)
"""Name -> record."""


def rule(name: str) -> float:
    """A record's value in its own unit.

    >>> rule("lamina_bridge_mm")
    5.0
    """
    return RULES[name].value
