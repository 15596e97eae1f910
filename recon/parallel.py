"""Independent pieces of work on two processors at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

One = TypeVar("One")
Found = TypeVar("Found")

WORKERS = 2
"""Levels worked on at a time: each holds about 150 MB, and a laptop has two cores to spare."""


def both(one: Callable[[], One], other: Callable[[], Found]) -> tuple[One, Found]:
    """The answers of two tasks done at once; the first error is raised.

    >>> both(lambda: 1, lambda: "two")
    (1, 'two')
    """
    with ThreadPoolExecutor(1) as pool:
        second = pool.submit(other)
        return one(), second.result()


def side_by_side(task: Callable[[One], Found], items: Iterable[One]) -> Iterator[Found]:
    """The answers of a task, in the order of the items; array operations of two threads run at once.

    The first error is raised where its answer would stand.

    >>> list(side_by_side(abs, [-3, 2, -1]))
    [3, 2, 1]
    """
    with ThreadPoolExecutor(WORKERS) as pool:
        yield from pool.map(task, items)
