"""The estimate request: what a plan removes, keeps and reaches."""

from __future__ import annotations

import time
from dataclasses import dataclass

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.estimate.blocker import blocker_json, blocker_of
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.estimator.estimate.intervals import intervals_of, no_intervals
from canalwise.workbench.console.json_results import USUAL_TRIAL, with_decompression
from canalwise.workbench.rehearsal.session.request import Cancelled, Json, RequestJob, RequestKind
from canalwise.workbench.rehearsal.session.session import Session


@dataclass(frozen=True)
class EstimateRequest:
    """A plan and what it is to touch; `intervals` takes some tenths of a second more."""

    plan: Approach
    task: tuple[str, ...]
    intervals: bool


def answer(session: Session, message: EstimateRequest, job: RequestJob) -> Json:
    """The numbers of `canalwise estimate --json`, and what stops the next millimetre.

    Intervals and chances of the resection are worked out by another request (`execution`), for they take seconds.
    """
    begun_s = time.perf_counter()
    found = session.exact(message.plan, message.task)
    if message.intervals and job.stop.is_set():
        raise Cancelled
    intervals = intervals_of(found, USUAL_TRIAL) if message.intervals else no_intervals(found)
    document = estimate_as_json(found, intervals)
    if message.intervals:  # at rest: while a slider moves, what is freed would come too late
        document = with_decompression(document, found.prepared, message.plan, None, session.resected(message.plan))
    # what a stranger needs to recompute it is no concern of the page, and more than half of the whole
    del document["geometry"]
    blocker = blocker_json(blocker_of(found), found.level.frame)
    return {"estimate": document, "blocker": blocker, "took_s": time.perf_counter() - begun_s}


ASKS = {"estimate": RequestKind(EstimateRequest, answer, newest_only=True, apart="intervals")}
