"""Number of workers that a machine's memory allows, and memory of each."""

from __future__ import annotations

import os
from dataclasses import dataclass

from canalwise.recon.errors import UnusableInput, WrongUse
from canalwise.recon.memory_budget import NETWORK_MB, available_mb

KEPT_FREE_FRAC = 0.15
"""Of what the machine has left, for the scheduler, the file cache and other programs (choice)."""

LEAST_WORKER_MB = NETWORK_MB + 400.0
"""The least that a worker can build a case in: the network's pass and the worker itself."""

LIBRARIES_MB = 300.0
"""Of a worker's memory that are files mapped in, which a limit on data does not count (measured: 200 to 300)."""


@dataclass(frozen=True)
class WorkerShare:
    """Workers, and the memory in MB that each may have."""

    workers: int
    memory_mb: float


def worker_share(requested: int | None, memory_mb: float | None = None, there_mb: float | None = None) -> WorkerShare:
    """Number of workers, and memory of each.

    Parameters
    ----------
    requested : number of workers wanted; as many as there are processors, but no more than memory feeds, where left out
    memory_mb : for each worker; an even share where left out
    there_mb : what the machine has; read where left out

    Raises UnusableInput where memory does not feed what was requested.

    >>> worker_share(2, there_mb=10_000.0)
    WorkerShare(workers=2, memory_mb=4250.0)
    """
    if requested is not None and requested < 1:
        raise WrongUse("--workers", "must be 1 or more", got=requested, do="Leave it out for one a processor.")
    known = available_mb() if there_mb is None else there_mb
    usable = float("inf") if known is None else known * (1 - KEPT_FREE_FRAC)
    least = LEAST_WORKER_MB if memory_mb is None else memory_mb
    fed = max(int(min(usable // least, 1_000_000)), 0)
    workers = min(processors(), max(fed, 1)) if requested is None else requested
    if workers > fed:
        raise UnusableInput(
            "the cohort",
            f"needs {least:.0f} MB of memory for each of its {workers} workers",
            got=f"{usable:.0f} MB to share",
            do="Give --workers fewer, or close other programs.",
        )
    return WorkerShare(workers, memory_mb or min(usable / workers, 1e6))


def processors() -> int:
    """Processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def data_limit_mb(worker_mb: float) -> float:
    """The limit on a worker's data, so that a case that asks for too much fails by itself before the worker is stopped.

    >>> data_limit_mb(4000.0)
    3300.0
    """
    return max(worker_mb * 0.9 - LIBRARIES_MB, worker_mb / 2)
