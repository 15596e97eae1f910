"""A lock on a folder, so that a rewrite of a case and work on it know of each other.

The folder itself is opened and locked (`flock`): no file is left behind, and the lock ends with the process that holds
it, however that ends. A folder that was renamed away while someone waited is another one: the wait starts again at the
folder that now has the name. Where the system knows no such lock (Windows, some network drives) nothing is locked.
"""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from canalwise.recon.errors import BadCase

try:
    import fcntl
except ImportError:  # pragma: no cover - Windows
    fcntl = None  # type: ignore[assignment]

WAIT_S = 30.0
"""How long to wait for another process: a rewrite holds the lock for well under a second, a slow disk for some."""

POLL_S = 0.02
"""Between two looks."""

APPEARS_S = 1.0
"""How long a folder may be without its name while it is rewritten: two renames, some milliseconds."""

UNSUPPORTED = (errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOLCK, errno.EBADF, errno.EINVAL, errno.ENOSYS)
"""What systems answer that cannot lock a folder."""


@contextmanager
def locked(folder: Path, *, shared: bool = False, wait_s: float = WAIT_S) -> Iterator[None]:
    """Holds the lock of a folder: alone to change it, `shared` to read it.

    Not to be taken twice by one thread: the second would wait for the first.

    Raises
    ------
    BadCase : another process held it for longer than `wait_s`, or there is no such folder
    """
    handle = _held(folder, shared, wait_s)
    try:
        yield
    finally:
        if handle is not None:
            os.close(handle)


def is_abandoned(path: Path) -> bool:
    """Is a temporary file or folder one that no living process has `hold` of? False where that cannot be determined."""
    if fcntl is None:
        return False
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0))
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    finally:
        os.close(handle)
    return True


@contextmanager
def hold(path: Path) -> Iterator[None]:
    """Marks a temporary file or folder as one that is still being worked on."""
    handle = None if fcntl is None else _open(path)
    try:
        if handle is not None:
            _try_lock(handle, False)
        yield
    finally:
        if handle is not None:
            os.close(handle)


def _held(folder: Path, shared: bool, wait_s: float) -> int | None:
    """The open folder, locked; None where the system has no such locks."""
    if fcntl is None:
        return None
    until_s = time.monotonic() + wait_s
    while time.monotonic() <= until_s:
        handle = _open(folder)
        if handle is None and not _appears(folder):
            raise BadCase("the case", "must still be where it was", do="Put it back.")
        if handle is not None:
            if _try_lock(handle, shared) and _is_still(folder, handle):
                return handle
            os.close(handle)
        time.sleep(POLL_S)
    raise BadCase(
        "the case",
        f"must be free within {wait_s:g} s",
        got="another canalwise at work on it",
        do="Try again when that is done.",
    )


def _appears(folder: Path) -> bool:
    """Is the folder there soon? A rewrite moves the old one away an instant before the new one takes its name."""
    until_s = time.monotonic() + APPEARS_S
    while not folder.is_dir() and time.monotonic() <= until_s:
        time.sleep(POLL_S)
    return folder.is_dir()


def _open(path: Path) -> int | None:
    try:
        return os.open(path, os.O_RDONLY)
    except FileNotFoundError:
        return None


def _try_lock(handle: int, shared: bool) -> bool:
    """Is it locked now? True also where the system cannot lock it."""
    try:
        fcntl.flock(handle, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
    except OSError as refused:
        return refused.errno in UNSUPPORTED
    return True


def _is_still(folder: Path, handle: int) -> bool:
    """Does the name still stand for the folder that is locked?"""
    try:
        return os.path.samestat(folder.stat(), os.fstat(handle))
    except OSError:
        return False
