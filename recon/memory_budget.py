"""The memory that a build needs, estimated and compared with the machine's before any of it is used."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import numpy.typing as npt

try:
    import resource
except ImportError:  # pragma: no cover - Windows
    resource = None  # type: ignore[assignment]

from canalwise.recon.errors import UnusableInput
from canalwise.recon.grid import Index3

BUILD_BYTES_PER_VOXEL = 80
"""What a build holds at its worst for each voxel beside the scan itself (measured on scans of 15 and 20 million)."""

BASE_MB = 350.0
"""Programs and libraries (measured)."""

NETWORK_MB = 1450.0
"""The most that a pass of the network takes with them, whatever the scan (measured at 1 and 1.5 mm)."""

WHOLE_NETWORK_BYTES_PER_VOXEL, WHOLE_NETWORK_LAYERS = 245, 192
"""What a pass holds for each of the network's voxels where all of a scan's width is looked at, as of an MR, and the
most layers of a pass (measured on an abdomen 350 x 270 mm wide)."""

MEMINFO = Path("/proc/meminfo")
"""Where Linux tells what is available without swapping."""


def needed_mb(shape: Index3, dtype: npt.DTypeLike) -> float:
    """MB that a build takes for a scan of this shape and number type.

    >>> round(needed_mb((200, 250, 400), np.int16))
    1990
    """
    per_voxel = BUILD_BYTES_PER_VOXEL + np.dtype(dtype).itemsize
    return max(NETWORK_MB, BASE_MB + float(np.prod(shape, dtype=float)) * per_voxel / 1e6)


def whole_network_mb(shape: Index3) -> float:
    """MB that a pass over all of a scan's width takes, for its shape in the network's voxels.

    >>> round(whole_network_mb((350, 270, 60)))
    1739
    """
    across, ventral, layers = shape
    voxels = float(across) * ventral * min(layers, WHOLE_NETWORK_LAYERS)
    return BASE_MB + voxels * WHOLE_NETWORK_BYTES_PER_VOXEL / 1e6


def available_mb() -> float | None:
    """Memory in MB that this process can have without swapping; None where it is not known.

    It is what the machine has left, or the process's own limit on data where that is less.
    """
    known = [mb for mb in (_machine_mb(), limit_mb()) if mb is not None]
    return min(known, default=None)


def limit_mb() -> float | None:
    """The limit in MB that was set for this process's data (RLIMIT_DATA); None where there is none."""
    if resource is None:
        return None
    soft, _ = resource.getrlimit(resource.RLIMIT_DATA)
    return None if soft == resource.RLIM_INFINITY else soft / 1e6


def limit_memory(most_mb: float) -> None:
    """Lays a limit on this process's data: beyond it an allocation fails. Does nothing where there are no such limits.

    Linux counts all private memory that can be written; what is only reserved is counted too.
    """
    if resource is not None:
        _, hard = resource.getrlimit(resource.RLIMIT_DATA)
        wanted = int(most_mb * 1e6)
        resource.setrlimit(
            resource.RLIMIT_DATA, (wanted if hard == resource.RLIM_INFINITY else min(wanted, hard), hard)
        )


def _machine_mb() -> float | None:
    # What is available without swapping is more telling than what is built in.
    if MEMINFO.is_file():
        reported = dict(line.split(":", 1) for line in MEMINFO.read_text().splitlines() if ":" in line)
        if "MemAvailable" in reported:
            return float(reported["MemAvailable"].split()[0]) * 1024 / 1e6
    names = getattr(os, "sysconf_names", {})
    if "SC_PHYS_PAGES" not in names:
        return None
    return float(os.sysconf("SC_PHYS_PAGES")) * os.sysconf("SC_PAGE_SIZE") / 1e6


def check_memory(shape: Index3, dtype: npt.DTypeLike, available: float | None = None, *, least_mb: float = 0.0) -> str:
    """A sentence on the memory a build of such a scan needs; raises UnusableInput when the machine has less.

    `available` is in MB; None asks the machine. `least_mb` is what another step is known to need.

    >>> check_memory((100, 100, 100), np.int16, 8000.0)
    'working on 100 x 100 x 100 voxels in about 1.4 GB of memory'
    """
    needed = max(needed_mb(shape, dtype), least_mb)
    there = available_mb() if available is None else available
    size = " x ".join(str(n) for n in shape)
    # A build that swaps takes hours and can take the machine down with it: better no start.
    if there is not None and needed > there:
        raise UnusableInput(
            "the scan",
            f"needs about {needed:.0f} MB of memory for its {size} voxels",
            got=f"{there:.0f} MB available",
            do="Close other programs, or crop the scan to the lumbar spine.",
        )
    return f"working on {size} voxels in about {needed / 1000:.1f} GB of memory"
