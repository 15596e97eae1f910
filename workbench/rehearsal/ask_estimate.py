"""The question a page asks most: what a plan takes, keeps and reaches."""

from __future__ import annotations

import time
from dataclasses import dataclass

from estimator.approach import Approach
from estimator.blocker import blocker_json, blocker_of
from estimator.estimate_json import estimate_as_json
from estimator.uncertainty import intervals_of, no_intervals
from workbench.rehearsal.asks import Ask, CalledOff, Job, Json
from workbench.rehearsal.desk import Desk
from workbench.results import USUAL_TRIAL


@dataclass(frozen=True)
class Estimate:
    """A plan and what it is to touch; `intervals` takes some tenths of a second more."""

    plan: Approach
    task: tuple[str, ...]
    intervals: bool


def answer(desk: Desk, message: Estimate, job: Job) -> Json:
    """The numbers of `canalwise estimate --json`, and what stops the next millimetre."""
    begun_s = time.perf_counter()
    found = desk.exact(message.plan, message.task)
    if message.intervals and job.stop.is_set():
        raise CalledOff
    intervals = intervals_of(found, USUAL_TRIAL) if message.intervals else no_intervals(found)
    document = estimate_as_json(found, intervals)
    # what a stranger needs to recompute it is no concern of the page, and more than half of the whole
    del document["geometry"]
    blocker = blocker_json(blocker_of(found), found.level.frame)
    return {"estimate": document, "blocker": blocker, "took_s": time.perf_counter() - begun_s}


ASKS = {"estimate": Ask(Estimate, answer, newest_only=True, apart="intervals")}
