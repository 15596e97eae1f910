"""Search and comparison requests: better plans, and the best plan of each access; stopped early, the best so far."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from canalwise.estimator.approach.search_bounds import instruments_named
from canalwise.estimator.search.best_approach import search
from canalwise.estimator.search.search_task import USUAL_BREADTH, Progress, SearchTask, check_breadth
from canalwise.recon.errors import WrongUse
from canalwise.recon.labels import SIDES, Side
from canalwise.workbench.console.json_results import compared_json, searched_json
from canalwise.workbench.rehearsal.session.request import Cancelled, Json, RequestJob, RequestKind
from canalwise.workbench.rehearsal.session.session import Session

LEAST, MOST = 20, 10_000
"""Approaches that a page may ask to have looked at; the most take a few minutes on a laptop."""


@dataclass(frozen=True)
class SearchRequest:
    """The best, the likeliest and the next best plan; `breadth` says how much of the canal is to be freed.

    A `task` of sets to be touched decides nothing: the room needed does.
    """

    level: str
    sides: tuple[Side, ...]
    instruments: tuple[str, ...]
    budget: int
    seed: int
    breadth: str = USUAL_BREADTH
    task: tuple[str, ...] = ()


@dataclass(frozen=True)
class AccessesRequest:
    """The best plan of the left, the right and both sides, and a midline laminectomy."""

    level: str
    budget: int
    seed: int
    breadth: str = USUAL_BREADTH
    task: tuple[str, ...] = ()


def found(session: Session, message: SearchRequest, job: RequestJob) -> Json:
    """What a search found; as `canalwise search --json`."""
    channels = {
        name: channel
        for name_or_class in message.instruments
        for name, channel in instruments_named(name_or_class).items()
    }
    question = SearchTask(
        sides=tuple(side for side in SIDES if side in message.sides),
        instruments=channels,
        breadth=check_breadth(message.breadth),
        budget=within_budget(message.budget),
        seed=message.seed,
    )
    prepared = session.prepared(message.level)
    with _ended_early():
        return searched_json(search(prepared, question, _counted(job, question)))


def accesses(session: Session, message: AccessesRequest, job: RequestJob) -> Json:
    """The accesses on their best plans, as `canalwise compare --json`."""
    question = SearchTask(
        breadth=check_breadth(message.breadth), budget=within_budget(message.budget), seed=message.seed
    )
    prepared = session.prepared(message.level)
    with _ended_early():
        return compared_json(prepared, question, _counted(job, question))


def within_budget(budget: int) -> int:
    """The search budget; raises WrongUse for one that a page may not request.

    >>> within_budget(800)
    800
    """
    if not LEAST <= budget <= MOST:
        raise WrongUse("the number of approaches", f"must be from {LEAST} to {MOST}", got=budget)
    return budget


def _counted(job: RequestJob, question: SearchTask) -> Progress:
    """Tells how far a search is; when it is stopped, ends the exploring as Ctrl-C does, and what was found counts."""
    done = 0

    def progress(count: int) -> None:
        nonlocal done
        done += count
        job.tell(min(done, question.budget), question.budget, f"{done} approaches looked at")
        if job.stop.is_set():
            raise KeyboardInterrupt

    return progress


@contextmanager
def _ended_early() -> Iterator[None]:
    """Ctrl-C's exception must not leave a worker thread: where nothing was found yet, the question is called off."""
    try:
        yield
    except KeyboardInterrupt:
        raise Cancelled from None


ASKS: dict[str, RequestKind] = {
    "search": RequestKind(SearchRequest, found, long=True),
    "accesses": RequestKind(AccessesRequest, accesses, long=True),
}
