"""Every question a page may ask, joined from the modules that answer them."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

from canalwise.workbench.rehearsal.handlers import charts as ask_charts
from canalwise.workbench.rehearsal.handlers import compare as ask_compare
from canalwise.workbench.rehearsal.handlers import estimate as ask_estimate
from canalwise.workbench.rehearsal.handlers import lesson as ask_lesson
from canalwise.workbench.rehearsal.handlers import moves as ask_moves
from canalwise.workbench.rehearsal.handlers import picture as ask_picture
from canalwise.workbench.rehearsal.handlers import plans as ask_plans
from canalwise.workbench.rehearsal.handlers import search as ask_search
from canalwise.workbench.rehearsal.handlers import sheet as ask_sheet
from canalwise.workbench.rehearsal.server.jobs import STOP
from canalwise.workbench.rehearsal.session.request import RequestKind
from canalwise.workbench.surfaces import removal_volume as removal_frame

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
def asks() -> Mapping[str, RequestKind]:
    """Name of a question -> how it is read and answered."""
    joined: dict[str, RequestKind] = {"stop": STOP}
    for module in MODULES:
        joined |= module.ASKS
    return MappingProxyType(joined)
