"""Keeping a long-running server small: memory that is let go of goes back to the system."""

from __future__ import annotations

import ctypes
import sys

TRIM_THRESHOLD, MMAP_THRESHOLD, ARENA_MAX = -1, -3, -8
"""Numbers of the settings, as malloc.h of the GNU C library has them."""

LARGE_BYTES = 1 << 20
"""Arrays from this size on are mapped each by itself, and unmapped when they go. Left to itself the library raises this
to what was last let go of, up to 32 MB, and what lies between two small things is never given back."""

ARENAS = 2
"""Pools that threads share: every further one keeps what it once needed."""


def trimmed_heap() -> None:
    """Sets how this process's memory is managed; does nothing where the C library knows no such settings."""
    settings = ((ARENA_MAX, ARENAS), (MMAP_THRESHOLD, LARGE_BYTES), (TRIM_THRESHOLD, 4 * LARGE_BYTES))
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None) if sys.platform == "linux" else None
    if mallopt is not None:
        for name, value in settings:
            mallopt(name, value)


def released_heap() -> None:
    """Gives back now what was let go of within the heap; a few milliseconds."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None
    if trim is not None:
        trim(0)
