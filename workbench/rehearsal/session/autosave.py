"""Autosave: what each tab of the page shows, kept in the case so that a reload or a crash loses nothing."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.plan_file import ANATOMY_KEY
from canalwise.recon.errors import CanalwiseError, WrongUse
from canalwise.recon.serialization import read_json, write_json_atomic
from canalwise.workbench.console.plan_store import OTHER_ANATOMY
from canalwise.workbench.rehearsal.session.messages import read_as
from canalwise.workbench.rehearsal.session.request import Json
from canalwise.workbench.rehearsal.session.session import Session

FOLDER = "rehearsal"
"""Folder of the case that holds one file for each tab."""

TAB = re.compile(r"[a-z0-9]{8,32}")
"""What a tab may be called."""

TABS = 20
"""Tabs kept; of more, those that were changed longest ago go."""

STATE_BYTES = 256 * 1024
"""Longest state: two hundred steps of undo, of under a thousand bytes each, with room to spare."""

DEPTH = 12
"""Deepest nesting of a state; the page's own has five."""


def keep(session: Session, tab: str, state: Any) -> None:
    """Keeps a tab's state, whole or not at all.

    Raises
    ------
    WrongUse : a tab's name that could lead out of the folder, or a state that is no page's
    BadCase : the case has gone
    """
    place = _place(session.folder(), tab)
    _check(session, state)
    with session.changing():
        place.parent.mkdir(exist_ok=True)
        write_json_atomic(place, {**state, ANATOMY_KEY: session.case.anatomy_sha256})
        for old in _newest_first(place.parent)[TABS:]:
            old.unlink(missing_ok=True)


def recalled(session: Session, tab: str) -> tuple[Json | None, str]:
    """A tab's state, and a note where it was kept on another anatomy.

    Where the tab has none it is the newest of the others; None where there is none that can be read.
    """
    own = _place(session.folder(), tab)
    others = [place for place in _newest_first(own.parent) if place != own]
    states = (_readable(session, place) for place in [own, *others])
    state = next((state for state in states if state is not None), None)
    kept_on = str((state or {}).pop(ANATOMY_KEY, ""))
    other = bool(kept_on) and kept_on != session.case.anatomy_sha256
    return state, f"The plan of the last sitting {OTHER_ANATOMY}" if other else ""


def _place(folder: Path, tab: str) -> Path:
    if not TAB.fullmatch(tab):
        raise WrongUse("the tab", "must be 8 to 32 small letters and digits", got=tab)
    return folder / FOLDER / f"{tab}.json"


def _newest_first(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.json"), key=_changed_ns, reverse=True)


def _changed_ns(path: Path) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:  # another tab's clearing away was faster
        return 0


def _readable(session: Session, place: Path) -> Json | None:
    """The state in a file; None where it is not there, was damaged, or is not of this case."""
    try:
        state: Json = read_json(place, who="the kept page")
        _check(session, state)
    except CanalwiseError:
        return None
    return state


def _check(session: Session, state: Any) -> None:
    if not isinstance(state, dict):
        raise WrongUse("the state", "must be a JSON object", got=type(state).__name__)
    if not _is_shallow(state):
        raise WrongUse("the state", f"must be nested at most {DEPTH} deep")
    if (size := len(json.dumps(state, ensure_ascii=False).encode())) > STATE_BYTES:
        raise WrongUse("the state", f"must be at most {STATE_BYTES} bytes", got=size)
    plan = read_as(Approach, state.get("plan"), "the state's plan")
    session.case.anatomy.level(plan.level)


def _is_shallow(state: Json) -> bool:
    layer: list[Any] = [state]
    for _ in range(DEPTH):
        layer = [inner for value in layer for inner in _inner(value)]
    return not layer


def _inner(value: Any) -> Iterator[Any]:
    if isinstance(value, dict):
        yield from value.values()
    elif isinstance(value, list):
        yield from value
