"""What each worker of this machine does first: it leaves Ctrl-C to the command, which stops its workers itself."""

from __future__ import annotations

import signal
from typing import Any


def dask_setup(worker: Any) -> None:
    """Called by Dask in each worker process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
