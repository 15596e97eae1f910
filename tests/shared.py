"""What is costly to make, made once for all workers of a test run and handed on as a file of that run."""

from __future__ import annotations

import copyreg
import hashlib
import os
import pickle
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

try:
    import fcntl
except ImportError:  # on Windows each worker makes its own
    fcntl = None  # type: ignore[assignment]

Made = TypeVar("Made")


def _view_of(mapping: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(mapping)


# a view of a mapping has no pickle of its own; a view of its copy has the same content
copyreg.pickle(MappingProxyType, lambda view: (_view_of, (dict(view),)))


FOLDER = "CANALWISE_TEST_SHARED"
"""Environment variable: the run's folder. It is new for every run, so that nothing in it can be out of date."""


def shared(make: Callable[..., Made]) -> Callable[..., Made]:
    """The same function, its answers kept in memory and for the run's other workers; nobody may change an answer."""
    held: dict[str, Made] = {}

    @wraps(make)
    def made(*arguments: Any) -> Made:
        name = _name_of(make, arguments)
        if name not in held:
            held[name] = _from_file(name, lambda: make(*arguments))
        return held[name]

    return made


def _name_of(make: Callable[..., Any], arguments: tuple[Any, ...]) -> str:
    # Alike arguments may be written differently; then the answer is merely made again.
    content = pickle.dumps((make.__module__, make.__qualname__, arguments))
    return f"{make.__name__}-{hashlib.sha256(content).hexdigest()[:16]}"


def _from_file(name: str, make: Callable[[], Made]) -> Made:
    folder = os.environ.get(FOLDER)
    if folder is None or fcntl is None:
        return make()
    path = Path(folder) / f"{name}.pickle"
    with _alone(path.with_suffix(".lock")):
        if path.exists():
            return pickle.loads(path.read_bytes())  # type: ignore[no-any-return]
        answer = make()
        path.write_bytes(pickle.dumps(answer))
        return answer


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Waits until no other worker makes the same; a worker that dies lets go."""
    with path.open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
