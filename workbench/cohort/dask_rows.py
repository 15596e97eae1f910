"""The rows of a cohort on Dask workers: processes of this machine, or of a cluster whose scheduler is given.

Each worker is one process that works on one case at a time with one thread. No more cases are handed out than there
are workers. Dask starts the case of a worker that died on another, `TRIES` times in all; one that loses its worker
each time is tried by itself when all others are done, and if it loses those too becomes a row that says so. Workers of
this machine that are gone for good are replaced. Dask is imported here only, when a cohort begins.
"""

from __future__ import annotations

import logging
import os
import signal
import threading
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from itertools import count, islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canalwise.recon.errors import UnusableInput, WrongUse
from canalwise.recon.memory_budget import limit_memory
from canalwise.workbench.cohort.case_list import CaseLine
from canalwise.workbench.cohort.row_record import LOST, CohortOptions, Failure, RowRecord, write_record
from canalwise.workbench.cohort.row_work import FinishedRow, finished_row
from canalwise.workbench.cohort.steps import CohortStep
from canalwise.workbench.cohort.worker_memory import WorkerShare, data_limit_mb

if TYPE_CHECKING:
    from distributed import Client, LocalCluster

TRIES = 3
"""Workers that a case may lose before its row is given up (choice)."""

CONNECT_S = 20.0
"""How long a scheduler is waited for."""

LOOK_S = 0.2
"""Between two looks at what has been finished, and at whether Ctrl-C was pressed."""

KEEP_S = 30.0
"""Between two calls for workers that this machine has too few of: one that could not be started again stays away."""

RESULT_S = 10.0
"""How long a finished row's few numbers may take to arrive."""

LOOPBACK = "127.0.0.1"

CONFIG: dict[str, Any] = {
    "distributed.scheduler.allowed-failures": TRIES - 1,
    # a case's arrays are not Dask's to spill or to wait for: only a worker beyond its limit is stopped
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.pause": False,
    "distributed.worker.memory.terminate": 0.95,
    # a case is seconds of compiled code: that it answers late is no sign of death
    "distributed.scheduler.worker-ttl": "30 minutes",
    "distributed.admin.tick.limit": "30 minutes",
    # by its 15 s Dask gave up workers that had been killed, for good: on a busy machine one takes longer to start anew,
    # and once both were gone a cohort waited for ever
    "distributed.deploy.lost-worker-timeout": "10 minutes",
    "distributed.comm.timeouts.connect": f"{CONNECT_S:g}s",
    # Dask would have workers hand memory back after each array, and get it page by page again for the next: with that a
    # case met twenty times the page faults and took a seventh more processor time
    "distributed.nanny.pre-spawn-environ": {"OMP_NUM_THREADS": 1, "MKL_NUM_THREADS": 1, "OPENBLAS_NUM_THREADS": 1},
    "distributed.worker.profile.enabled": False,
}


@dataclass(frozen=True)
class RowTask:
    """What a worker is sent; `memory_mb` is what its worker may have, and is read by the worker where left out."""

    out: Path
    line: CaseLine
    options: CohortOptions
    steps: tuple[CohortStep, ...]
    memory_mb: float | None = None


def on_worker(task: RowTask) -> FinishedRow:
    """Runs in a worker: the row, within the worker's memory."""
    memory_mb = task.memory_mb or _worker_mb()
    if memory_mb:
        limit_memory(data_limit_mb(memory_mb))
    return finished_row(task.out, task.line, task.options, task.steps)


def _worker_mb() -> float | None:
    """What a cluster gives this worker."""
    from distributed import get_worker

    limit = get_worker().memory_manager.memory_limit
    return limit / 1e6 if limit else None


@contextmanager
def local_client(share: WorkerShare, dashboard: bool) -> Iterator[Client]:
    """A client of as many worker processes of this machine, on loopback alone; they end when the block ends."""
    if dashboard and find_spec("bokeh") is None:
        raise WrongUse("--dashboard", "needs the package bokeh", do="Install it: pip install bokeh")
    import dask
    from distributed import Client, LocalCluster

    with dask.config.set(CONFIG), _quiet():
        cluster: LocalCluster = LocalCluster(  # type: ignore[no-untyped-call]
            n_workers=share.workers,
            threads_per_worker=1,
            processes=True,
            memory_limit=int(share.memory_mb * 1e6),
            host=LOOPBACK,
            dashboard_address=f"{LOOPBACK}:8787" if dashboard else None,
            scheduler_kwargs={} if dashboard else {"dashboard_address": f"{LOOPBACK}:0"},
            silence_logs=logging.CRITICAL,
            preload=["canalwise.workbench.cohort.worker_start"],
            env={"DASK_LOGGING__DISTRIBUTED": "critical"},
        )
        try:
            with Client(cluster, timeout=CONNECT_S) as client:  # type: ignore[no-untyped-call]
                yield client
        finally:
            cluster.close(timeout=CONNECT_S)


@contextmanager
def cluster_client(address: str) -> Iterator[Client]:
    """A client of a scheduler that is running; raises UnusableInput where none answers."""
    import dask
    from distributed import Client

    with dask.config.set(CONFIG), _quiet():
        try:
            client = Client(address, timeout=CONNECT_S)  # type: ignore[no-untyped-call]
        except (OSError, ValueError, TimeoutError) as problem:
            raise UnusableInput(
                "--scheduler",
                f"must be the address of a Dask scheduler that answers within {CONNECT_S:g} s",
                got=type(problem).__name__,
                do="Give it as tcp://HOST:PORT.",
            ) from None
        with client:
            yield client


def rows_on(client: Client, tasks: Sequence[RowTask]) -> Iterator[FinishedRow]:
    """The rows as they are finished; every record is on disk by then. Raises KeyboardInterrupt on Ctrl-C.

    A result that is lost with its worker before it arrives is requested again: its record is on disk, so nothing is
    worked out twice.
    """
    with _interrupts_noted() as interrupted:
        yield from _rows_until(client, tasks, interrupted)


@contextmanager
def _interrupts_noted() -> Iterator[threading.Event]:
    """Ctrl-C sets the event and raises nothing: raised while a result of Dask's is let go of, it would be lost.

    Python hands signals to the main thread alone; in any other nothing is changed.
    """
    interrupted = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield interrupted
        return
    before = signal.signal(signal.SIGINT, lambda *_: interrupted.set())
    try:
        yield interrupted
    finally:
        signal.signal(signal.SIGINT, before)


def _finished(client: Client, running: Any, interrupted: threading.Event) -> Iterator[Any]:
    """The futures of `as_completed` as they end."""
    called_s = time.monotonic()
    while not running.is_empty():
        ended = running.next_batch(block=False)
        if interrupted.is_set():
            raise KeyboardInterrupt
        if not ended:
            interrupted.wait(LOOK_S)
        if time.monotonic() - called_s > KEEP_S:
            _call_for_workers(client)
            called_s = time.monotonic()
        yield from ended


def _call_for_workers(client: Client) -> None:
    """Starts those of this machine that are gone for good; the workers of a cluster are its own affair."""
    if client.cluster is not None:
        client.cluster.scale(len(client.cluster.worker_spec))


def _rows_until(client: Client, tasks: Sequence[RowTask], interrupted: threading.Event) -> Iterator[FinishedRow]:
    keys = count()
    lost: list[RowTask] = []
    for task, row in _tried(client, tasks, workers_of(client), keys, interrupted):
        if row is None:
            lost.append(task)
        else:
            yield row
    # By itself: while a worker starts anew, its case waits behind another's, and is lost with it if that one kills.
    for task, row in _tried(client, lost, 1, keys, interrupted):
        yield row or _lost_row(task)


def _tried(
    client: Client, tasks: Sequence[RowTask], at_once: int, keys: Iterator[int], interrupted: threading.Event
) -> Iterator[tuple[RowTask, FinishedRow | None]]:
    """Cases as they end, so many at once, and their rows; None of one that lost its worker each time."""
    from distributed import as_completed

    waiting, tries = iter(tasks), Counter[str]()
    by_key: dict[str, RowTask] = {}

    def sent(task: RowTask) -> Any:
        # a key of its own each time: Dask answers one that it knows with what it has
        key = f"{task.line.case}, {next(keys)}"
        by_key[key] = task
        return client.submit(on_worker, task, key=key, pure=False)

    running: Any = as_completed([sent(task) for task in islice(waiting, at_once)])  # type: ignore[no-untyped-call]
    for future in _finished(client, running, interrupted):
        task = by_key.pop(str(future.key), None)
        if task is None:
            continue
        row = _row_of(client, future)
        if row is None and future.status != "error" and tries[task.line.case] < TRIES:
            tries[task.line.case] += 1
            running.add(sent(task))
            continue
        for more in islice(waiting, 1):
            running.add(sent(more))
        yield task, row


def workers_of(client: Client) -> int:
    """Threads of all workers: cases that can be worked on at once; 1 while no worker has come."""
    threads: dict[str, int] = client.nthreads()  # type: ignore[no-untyped-call]
    return max(sum(threads.values()), 1)


def _row_of(client: Client, future: Any) -> FinishedRow | None:
    """A finished row; None where its result was lost, or its worker each time."""
    from distributed import KilledWorker

    if client.status != "running":
        raise UnusableInput("the scheduler", "must stay", do="Run this again: finished rows are kept.")
    if future.status == "finished":
        try:
            row: FinishedRow = future.result(timeout=RESULT_S)
        except (TimeoutError, CancelledError):
            return None
        return row
    if future.status != "error":
        return None
    error = future.exception()
    if isinstance(error, KilledWorker):
        return None
    raise error


def _lost_row(task: RowTask) -> FinishedRow:
    line = task.line
    lost = RowRecord(line.case, "", line.patient, line.surgeon, line.order, failures=(_lost(TRIES),))
    write_record(task.out, lost)
    return FinishedRow(lost)


def _lost(tries: int) -> Failure:
    message = (
        f"the worker was lost {tries} times while at this case, by itself: it was killed, or took more memory than it "
        "may have. Run this again; with --workers fewer each has more memory."
    )
    return Failure("", "", LOST, message)


@contextmanager
def _quiet() -> Iterator[None]:
    """What the scheduler's log would report is reported by the rows."""
    log = logging.getLogger("distributed")
    before, variable = log.level, os.environ.get("DASK_LOGGING__DISTRIBUTED")
    log.setLevel(logging.CRITICAL)
    os.environ["DASK_LOGGING__DISTRIBUTED"] = "critical"
    try:
        yield
    finally:
        log.setLevel(before)
        if variable is None:
            os.environ.pop("DASK_LOGGING__DISTRIBUTED", None)
