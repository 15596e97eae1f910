"""Every question a page may ask, joined from the modules that answer them."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

from workbench.rehearsal import (
    ask_charts,
    ask_compare,
    ask_estimate,
    ask_lesson,
    ask_moves,
    ask_picture,
    ask_plans,
    ask_search,
    ask_sheet,
    removal_frame,
)
from workbench.rehearsal.asks import Ask
from workbench.rehearsal.jobs import STOP

MODULES = (
    ask_estimate,
    ask_plans,
    ask_moves,
    removal_frame,
    ask_picture,
    ask_charts,
    ask_search,
    ask_compare,
    ask_sheet,
    ask_lesson,
)


@cache
def asks() -> Mapping[str, Ask]:
    """Name of a question -> how it is read and answered."""
    joined: dict[str, Ask] = {"stop": STOP}
    for module in MODULES:
        joined |= module.ASKS
    return MappingProxyType(joined)
