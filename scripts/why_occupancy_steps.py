#!/usr/bin/env python3
"""Why `recon.case.folder.OCCUPANCY_STEPS` is 255: what a removed volume loses when occupancy is stored in few steps.

A ball of bone with a soft edge stands for the case at its worst: every border voxel is partly filled. Run with
the project's Python:

    .venv/bin/python scripts/why_occupancy_steps.py
"""

from __future__ import annotations

import gzip
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.recon.grid import isotropic_grid

RADIUS_MM, EDGE_MM, SPACING_MM = 6.0, 1.2, 0.5
"""A ball of about 0.9 cm3, as much as an approach takes; its edge is blurred over the width of a CT's focus."""

STEPS = (3, 15, 63, 255, 1023, 65535)


def main() -> None:
    """Print the table and what follows from it."""
    rng = np.random.default_rng(0)
    grid = isotropic_grid([-9, -9, -9], [9, 9, 9], SPACING_MM)
    depth_mm = RADIUS_MM - np.linalg.norm(grid.voxel_centres_mm() - rng.uniform(-0.25, 0.25, 3), axis=-1)
    # A little noise, as a scan has: without it the soft edge would hide the steps in their symmetry.
    occupancy = np.clip(0.5 + depth_mm / EDGE_MM + rng.normal(0, 0.02, grid.shape), 0, 1)
    print("steps | volume error % | worst voxel mm3 | stored kB (gzip level 1)")
    for steps in STEPS:
        kept = np.rint(occupancy * steps)
        error = 100 * (kept.sum() / steps / occupancy.sum() - 1)
        worst = np.abs(kept / steps - occupancy).max() * grid.voxel_mm3
        stored = gzip.compress(kept.astype(np.uint8 if steps < 256 else np.uint16).tobytes(), 1, mtime=0)
        print(f"{steps:5} | {error:+14.4f} | {worst:15.6f} | {len(stored) / 1e3:8.1f}")
    print(CONCLUSION)


CONCLUSION = """
For volumes alone 15 steps would do; a byte is the least a voxel takes in the file anyway, so its 255 steps cost
only what compression could have saved, and lose a few millionths of the volume. Two bytes cost half as much again
on disk and win nothing that any scan resolves."""


if __name__ == "__main__":
    main()
