"""The last few things that were worked out, kept so that asking again costs nothing."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from typing import Generic, TypeVar

Key = TypeVar("Key", bound=Hashable)
Found = TypeVar("Found")


class LruCache(Generic[Key, Found]):
    """Least-recently-used cache; each value is computed once, whichever threads request it.

    Parameters
    ----------
    size : answers kept

    >>> squares = LruCache(2)
    >>> [squares.found(n, lambda n=n: n * n) for n in (2, 3, 2, 4)], len(squares)
    ([4, 9, 4, 16], 2)
    """

    def __init__(self, size: int) -> None:
        self._size = size
        self._kept: OrderedDict[Key, Future[Found]] = OrderedDict()
        self._lock = threading.Lock()

    def __len__(self) -> int:
        return len(self._kept)

    def others(self, key: Key) -> list[Found]:
        """The values that are kept of other keys, without those still being computed.

        >>> squares = LruCache(2)
        >>> [squares.found(n, lambda n=n: n * n) for n in (2, 3)], squares.others(3)
        ([4, 9], [4])
        """
        with self._lock:
            kept = [answer for other, answer in self._kept.items() if other != key and answer.done()]
        return [answer.result() for answer in kept if answer.exception() is None]

    def found(self, key: Key, find: Callable[[], Found]) -> Found:
        """The value of a key, computed if it is not kept; other threads that request the same wait for it."""
        answer, new = self._place(key)
        if new:
            self._fill(key, answer, find)
        return answer.result()

    def _place(self, key: Key) -> tuple[Future[Found], bool]:
        with self._lock:
            new = key not in self._kept
            answer = self._kept.setdefault(key, Future())
            self._kept.move_to_end(key)
            while len(self._kept) > self._size:
                self._kept.popitem(last=False)
            return answer, new

    def _fill(self, key: Key, answer: Future[Found], find: Callable[[], Found]) -> None:
        try:
            answer.set_result(find())
        except BaseException as problem:
            # what failed is not kept: it is tried again when it is requested again
            with self._lock:
                if self._kept.get(key) is answer:
                    del self._kept[key]
            answer.set_exception(problem)
