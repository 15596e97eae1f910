#!/usr/bin/env python3
"""Why `estimator.level.keep_out.FIELD_SPACING_MM` is 0.3: error of the clearance to the sac against its cost.

A dural sac that is a straight tube of 8 mm radius is labelled on 0.5 and 1 mm voxels. Lines of sight from a
pivot pass over it at many distances; the exact clearance of each is plane geometry. Run with the project's Python:

    .venv/bin/python scripts/why_field_spacing.py
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.estimator.level import keep_out as keepout
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.grid import Float, isotropic_grid
from canalwise.recon.labels import Tissue

SAC_RADIUS_MM, RETRACTION_MM, CLEARANCE_MM, TOOL_RADIUS_MM = 8.0, 2.0, 0.5, 2.0
PIVOT_MM = np.array([-12.3, -55.2, 3.1])
"""Dorsal is -y in RAS."""

NEAR_VERDICT_MM = 1.5
"""Only lines whose exact clearance lies this near zero matter: the others are plainly open or blocked."""


def tube_sac(spacing_mm: float) -> Anatomy:
    """A sac along z, off the grid by a chance amount, with fat about it and no bone."""
    grid = isotropic_grid([-20.13, -20.29, -30.0], [20, 20, 30], spacing_mm)
    x, y, _ = np.moveaxis(grid.voxel_centres_mm(), -1, 0)
    labels = np.where(np.hypot(x, y) < SAC_RADIUS_MM, Tissue.SAC, Tissue.CANAL).astype(np.uint16)
    return Anatomy(grid, labels, np.zeros(grid.shape, dtype=np.float32), ())


def far_points_mm() -> Float:
    """(N, 3) array of points on the far wall, seen over the sac and through it."""
    y, z = np.meshgrid(np.linspace(-14, 12, 80), np.linspace(-12, 12, 25), indexing="ij")
    return np.stack([np.full(y.size, 13.0), y.ravel(), z.ravel()], axis=1)


def exact_clearance_mm(points_mm: Float) -> Float:
    """(N,) array: by how much each line from the pivot clears the retracted tube and the berth."""
    ray = (points_mm - PIVOT_MM)[:, :2]
    from_axis: Float = np.abs(ray[:, 1] * PIVOT_MM[0] - ray[:, 0] * PIVOT_MM[1]) / np.linalg.norm(ray, axis=1)
    return from_axis - (SAC_RADIUS_MM - RETRACTION_MM) - CLEARANCE_MM - TOOL_RADIUS_MM


def main() -> None:
    """Print the table and what follows from it."""
    points = far_points_mm()
    exact = exact_clearance_mm(points)
    near = np.abs(exact) < NEAR_VERDICT_MM
    print("voxel mm | field spacing mm | bias mm | worst error mm | field s | sight us per line")
    for voxel_mm in (0.5, 1.0):
        anatomy = tube_sac(voxel_mm)
        for spacing_mm in (1.0, 0.5, 0.4, 0.3, 0.25, 0.15):
            keepout.FIELD_SPACING_MM = spacing_mm
            start_s = time.perf_counter()
            field = keepout.keep_out_of(anatomy, np.zeros(3), (RETRACTION_MM, CLEARANCE_MM, TOOL_RADIUS_MM))
            field_s = time.perf_counter() - start_s
            field.sight_mm(PIVOT_MM, points[:1])  # compile before the clock runs
            start_s = time.perf_counter()
            error = (field.sight_mm(PIVOT_MM, points) - exact)[near]
            each_us = 1e6 * (time.perf_counter() - start_s) / len(points)
            print(
                f"{voxel_mm:8} | {spacing_mm:16} | {error.mean():+7.3f} | {np.abs(error).max():14.3f} "
                f"| {field_s:7.2f} | {each_us:8.1f}"
            )
    print(CONCLUSION)


CONCLUSION = """
On 1 mm voxels a field coarser than 0.4 mm calls lines clear that are not, by up to a quarter of a millimetre, half
the required clearance; at 0.25 mm the worst error is below 0.1 mm. Finer fields take seconds. On 0.5 mm voxels
every spacing stays near 0.1 mm: there the label map itself is the limit."""


if __name__ == "__main__":
    main()
