"""The last few things that were worked out, kept so that asking again costs nothing."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

Key = TypeVar("Key", bound=Hashable)
Found = TypeVar("Found")


class Lately(Generic[Key, Found]):
    """The answers that were asked for last; each is worked out once, whichever threads ask for it.

    Parameters
    ----------
    size : answers kept

    >>> squares = Lately(2)
    >>> [squares.found(n, lambda n=n: n * n) for n in (2, 3, 2, 4)], len(squares)
    ([4, 9, 4, 16], 2)
    """

    def __init__(self, size: int) -> None:
        self._size = size
        self._kept: OrderedDict[Key, Found] = OrderedDict()
        self._lock = threading.Lock()

    def __len__(self) -> int:
        return len(self._kept)

    def found(self, key: Key, find: Callable[[], Found]) -> Found:
        """The answer under a key, found now if it is not kept; one thread at a time."""
        with self._lock:
            if key not in self._kept:
                self._kept[key] = find()
                while len(self._kept) > self._size:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(key)
            return self._kept[key]
