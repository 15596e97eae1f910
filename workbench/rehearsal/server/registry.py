"""Every kind of request that a page may send, joined from the modules that answer them."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

from canalwise.workbench.rehearsal.handlers import (
    charts,
    compare,
    estimate,
    execution,
    lesson,
    moves,
    overview,
    picture,
    plans,
    removal,
    search,
    sheet,
)
from canalwise.workbench.rehearsal.server.jobs import STOP
from canalwise.workbench.rehearsal.session.request import RequestKind

MODULES = (estimate, execution, plans, moves, removal, picture, charts, search, compare, sheet, lesson, overview)


@cache
def request_kinds() -> Mapping[str, RequestKind]:
    """Name of a request -> how it is read and answered.

    >>> "estimate" in request_kinds(), "dance" in request_kinds()
    (True, False)
    """
    joined: dict[str, RequestKind] = {"stop": STOP}
    for module in MODULES:
        joined |= module.ASKS
    return MappingProxyType(joined)
