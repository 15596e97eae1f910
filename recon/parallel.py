"""Independent pieces of work on two processors at once, or one after the other where a process is to keep to one."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor, wait
from functools import cache
from typing import TypeVar

One = TypeVar("One")
Found = TypeVar("Found")

WORKERS = 2
"""Levels worked on at a time: each holds about 150 MB, and a laptop has two cores to spare."""

THREADS_VARIABLE = "CANALWISE_THREADS"
"""Names the environment variable that says how many threads a process may compute with."""


def thread_count(usual: int = WORKERS) -> int:
    """Threads that this process may compute with: what `THREADS_VARIABLE` says, else the usual number.

    >>> thread_count(3) if THREADS_VARIABLE not in os.environ else 3
    3
    """
    requested = os.environ.get(THREADS_VARIABLE, "")
    return int(requested) if requested.isdecimal() and int(requested) > 0 else usual


def both(one: Callable[[], One], other: Callable[[], Found]) -> tuple[One, Found]:
    """The answers of two tasks done at once; the first error is raised.

    >>> both(lambda: 1, lambda: "two")
    (1, 'two')
    """
    if thread_count() == 1:
        return one(), other()
    second = _other_thread().submit(other)
    try:
        first = one()
    except BaseException:
        if not second.cancel():
            wait((second,))
        raise
    # Not begun yet: the thread is busy with the half of a task around this one, or stayed behind in a fork.
    return first, other() if second.cancel() else second.result()


@cache
def _other_thread() -> ThreadPoolExecutor:
    """Kept: to start a thread takes as long as many a half (a tenth of a resection, measured)."""
    return ThreadPoolExecutor(1, "both")


def side_by_side(task: Callable[[One], Found], items: Iterable[One]) -> Iterator[Found]:
    """The answers of a task, in the order of the items; array operations of two threads run at once.

    The first error is raised where its answer would stand.

    >>> list(side_by_side(abs, [-3, 2, -1]))
    [3, 2, 1]
    """
    if thread_count() == 1:
        yield from map(task, items)
        return
    with ThreadPoolExecutor(thread_count()) as pool:
        yield from pool.map(task, items)
