"""Plans that were pinned, held against each other."""

from __future__ import annotations

from dataclasses import dataclass

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.comparison.plan_rows import PlanTableTask
from canalwise.estimator.comparison.plan_table import pinned
from canalwise.estimator.comparison.plan_table_json import plan_table_as_json
from canalwise.estimator.level.target_names import chosen
from canalwise.workbench.rehearsal.session.request import Cancelled, Json, RequestJob, RequestKind
from canalwise.workbench.rehearsal.session.session import Session


@dataclass(frozen=True)
class PlanTableRequest:
    """A table of up to four plans of one level, and what they are held against."""

    plans: tuple[Approach, ...]
    task: tuple[str, ...]
    midline: bool
    both: bool


def plan_table_answer(session: Session, message: PlanTableRequest, job: RequestJob) -> Json:
    """The table; every row after the first with its differences from that."""
    pinning = PlanTableTask(message.plans, chosen(message.task), message.midline, message.both)
    total = len(pinning.plans) + pinning.both + pinning.midline

    def progress(done: int) -> None:
        if job.stop.is_set():
            raise Cancelled
        job.tell(done, total, f"{done} of {total} compared")

    level = pinning.plans[0].level
    return plan_table_as_json(level, pinning, pinned(session.prepared(level), pinning, progress))


ASKS: dict[str, RequestKind] = {"pinned": RequestKind(PlanTableRequest, plan_table_answer, newest_only=True, long=True)}
