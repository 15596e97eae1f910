"""Getting ready behind the page's back: the first estimate must not wait for a level to be prepared."""

from __future__ import annotations

import threading

from estimator.plan import default_approach
from estimator.task_names import NAMES
from estimator.uncertainty import intervals_of
from recon.errors import CanalwiseError
from recon.labels import SIDES
from workbench.rehearsal.desk import Desk
from workbench.rehearsal.facts import Start
from workbench.rehearsal.registry import asks


def warmed(desk: Desk, start: Start) -> threading.Thread:
    """Prepares the level that is looked at first, in a thread of its own, and compiles what estimates run through."""
    thread = threading.Thread(target=_warm, args=(desk, start), name="warming", daemon=True)
    thread.start()
    return thread


def _warm(desk: Desk, start: Start) -> None:
    asks()
    names = [start.level] if start.level else [level.name for level in desk.case.anatomy.levels]
    for name in names:
        for side in [start.side] if start.side else SIDES:
            try:
                intervals_of(desk.exact(default_approach(desk.case.anatomy, name, side), NAMES))
            except CanalwiseError:
                continue  # the page will be told when it asks
            return
