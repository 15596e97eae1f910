"""Plans that were pinned, held against each other."""

from __future__ import annotations

from dataclasses import dataclass

from estimator.approach import Approach
from estimator.pinned import Pinning, pinned
from estimator.pinned_json import pinned_as_json
from estimator.task_names import chosen
from workbench.rehearsal.asks import Ask, CalledOff, Job, Json
from workbench.rehearsal.desk import Desk


@dataclass(frozen=True)
class AskPinned:
    """A table of up to four plans of one level, and what they are held against."""

    plans: tuple[Approach, ...]
    task: tuple[str, ...]
    midline: bool
    both: bool


def held_together(desk: Desk, message: AskPinned, job: Job) -> Json:
    """The table; every row after the first with its differences from that."""
    pinning = Pinning(message.plans, chosen(message.task), message.midline, message.both)
    total = len(pinning.plans) + pinning.both + pinning.midline

    def progress(done: int) -> None:
        if job.stop.is_set():
            raise CalledOff
        job.tell(done, total, f"{done} of {total} compared")

    level = pinning.plans[0].level
    return pinned_as_json(level, pinning, pinned(desk.prepared(level), pinning, progress))


ASKS: dict[str, Ask] = {"pinned": Ask(AskPinned, held_together, newest_only=True, long=True)}
