"""Preparation in the background, so that the first estimate need not wait for a level to be prepared."""

from __future__ import annotations

import threading

from canalwise.estimator.estimate.intervals import intervals_of
from canalwise.estimator.level.target_names import NAMES
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.labels import SIDES
from canalwise.workbench.rehearsal.session.case_facts import InitialPlan
from canalwise.workbench.rehearsal.session.session import Session


def warmed_up(session: Session, start: InitialPlan) -> threading.Thread:
    """Prepares the level that is looked at first, in a thread of its own, and compiles what estimates run through."""
    thread = threading.Thread(target=_warm, args=(session, start), name="warming", daemon=True)
    thread.start()
    return thread


def _warm(session: Session, start: InitialPlan) -> None:
    names = [start.level] if start.level else [level.name for level in session.case.anatomy.levels]
    for name in names:
        for side in [start.side] if start.side else SIDES:
            try:
                intervals_of(session.exact(default_approach(session.case.anatomy, name, side), NAMES))
            except CanalwiseError:
                continue  # the page will learn it when it asks
            return
