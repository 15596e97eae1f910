"""The execution request: intervals and chances of a resection, from executions of it that err as people do."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import count

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.estimate.estimate_json import plain
from canalwise.estimator.execution.resection_intervals import resection_intervals
from canalwise.estimator.execution.uncertain_json import uncertain_as_json
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.workbench.console.json_results import USUAL_EXECUTIONS
from canalwise.workbench.rehearsal.session.request import Cancelled, Json, RequestJob, RequestKind
from canalwise.workbench.rehearsal.session.session import Session

PARTS = ("resection", "freed", "verdict", "chances")
"""What of an estimate's JSON an execution trial adds to; its `chances` join those of the sweep."""


@dataclass(frozen=True)
class ExecutionRequest:
    """A plan at rest."""

    plan: Approach


def answer(session: Session, message: ExecutionRequest, job: RequestJob) -> Json:
    """The parts of `canalwise estimate --json` that rest on executions of the plan; ends soon when called off.

    Raises Cancelled, and AnatomyNotFound where a level has no sac or no ligament.
    """
    found = session.resected(message.plan) or decompressed(session.prepared(message.plan.level), message.plan)
    done = count(1)

    def each() -> None:
        if job.stop.is_set():
            raise Cancelled
        job.tell(next(done), USUAL_EXECUTIONS.samples, "executions worked out")

    document = plain(uncertain_as_json(found, resection_intervals(found, USUAL_EXECUTIONS, each)))
    return {part: document[part] for part in PARTS}


ASKS = {"execution": RequestKind(ExecutionRequest, answer, newest_only=True, long=True)}
