"""Which step of a build is in progress, so that one that fails can say its name."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from canalwise.recon.errors import AnatomyNotFound, CanalwiseError

Progress = Callable[[str], None]


@contextmanager
def named_steps(progress: Progress | None = None) -> Iterator[Progress]:
    """What takes the name of each step; an unforeseen failure inside is raised as that of the step it happened in.

    Raises
    ------
    AnatomyNotFound : a step failed by what it met in the scan, such as an empty array or a singular matrix

    >>> with named_steps() as say:
    ...     say("measuring L3-L4")
    ...     raise IndexError("nothing there")
    Traceback (most recent call last):
    canalwise.recon.errors.AnatomyNotFound: the step 'measuring L3-L4' failed on this scan (got 'IndexError: nothing \
there'). Check the images there; crop the scan to the levels wanted, or give a label map with --labels.
    """
    step = "reading the scan"

    def say(text: str) -> None:
        nonlocal step
        step = text
        if progress is not None:
            progress(text)

    try:
        yield say
    except (CanalwiseError, MemoryError, OSError, Warning):
        raise
    except Exception as problem:
        raise AnatomyNotFound(
            f"the step '{step}'",
            "failed on this scan",
            got=f"{type(problem).__name__}: {problem}",
            do="Check the images there; crop the scan to the levels wanted, or give a label map with --labels.",
        ) from problem
