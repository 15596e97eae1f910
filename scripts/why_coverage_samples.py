#!/usr/bin/env python3
"""Why `estimator.geometry.bricks.SAMPLES_PER_EDGE` is 3: error of the removed volume against the cost of sampling.

A cone swept 3 deg about its axis (4.5 mm sleeve) cuts an 8 mm slab of bone at chance places and tilts;
the exact volume is that of an oblique frustum (tests/closed_forms.py). Run with the project's Python:

    .venv/bin/python scripts/why_coverage_samples.py
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.estimator.approach.approach import PlacedPhase, axis_level
from canalwise.estimator.geometry import bricks
from canalwise.estimator.geometry.region_protocol import SignedRegion
from canalwise.estimator.geometry.signed_distance import swept_distance_mm
from canalwise.recon.grid import Float, isotropic_grid
from tests.closed_forms import swept_through_slab_mm3

SWEEP_DEG, RADIUS_MM, LENGTH_MM = 3.0, 4.5, 90.0
NEAR_MM, FAR_MM = 48.0, 56.0
POSES = 12
SPACINGS_MM = (0.5, 1.0)
SAMPLES = (1, 2, 3, 4, 6)


@dataclass(frozen=True, eq=False)
class Swept(SignedRegion):
    """A region with nothing to be kept out of."""

    phase: PlacedPhase

    def depth_mm(self, points_mm: Float) -> Float:
        """(N,) array of signed depths."""
        return swept_distance_mm(points_mm, self.phase)


def error_frac(spacing_mm: float, tilt_deg: float, shift_mm: Float) -> float:
    """Relative error of one removal; the slab's faces lie square to the grid, as far off it as `shift_mm` says."""
    phase = PlacedPhase("", np.zeros(3), axis_level("right", tilt_deg, 0.0), SWEEP_DEG, RADIUS_MM, LENGTH_MM, 0.0, 0.0)
    lateral_mm = FAR_MM * np.tan(np.radians(tilt_deg))
    low = np.array([lateral_mm - 16.0, -FAR_MM - 2.0, -16.0]) + shift_mm
    grid = isotropic_grid(low, low + np.array([32.0, FAR_MM - NEAR_MM + 4.0, 32.0]), spacing_mm)
    depth = -grid.voxel_centres_mm()[..., 1]
    # Share of each voxel between the slab's faces, exact because they are square to the grid.
    bone = np.clip(np.minimum(depth + spacing_mm / 2, FAR_MM) - np.maximum(depth - spacing_mm / 2, NEAR_MM), 0, None)
    plate = bricks.bricks_of_voxels(grid, np.argwhere(bone > 0))
    places, covered = Swept(phase).covered(plate)
    exact = swept_through_slab_mm3(SWEEP_DEG, RADIUS_MM, NEAR_MM, FAR_MM, tilt_deg)
    return float((covered * bone[bone > 0][plate.order[places]] / spacing_mm).sum() * grid.voxel_mm3 / exact - 1)


def main() -> None:
    """Print the table and what follows from it."""
    rng = np.random.default_rng(0)
    tilts, shifts = rng.uniform(0, 25, POSES), rng.uniform(-0.5, 0.5, (POSES, 3))
    print("spacing mm | samples per edge | error RMS % | worst % | ms per removal")
    for spacing_mm in SPACINGS_MM:
        for samples in SAMPLES:
            bricks.SAMPLES_PER_EDGE = samples
            start_s = time.perf_counter()
            errors = [100 * error_frac(spacing_mm, t, s) for t, s in zip(tilts, shifts, strict=True)]
            each_ms = 1e3 * (time.perf_counter() - start_s) / POSES
            rms, worst = np.sqrt(np.mean(np.square(errors))), np.max(np.abs(errors))
            print(f"{spacing_mm:10} | {samples:16} | {rms:11.3f} | {worst:7.3f} | {each_ms:14.1f}")
    print(CONCLUSION)


CONCLUSION = """
Counting centres (1) errs by more than 1 % in the worst pose at 1 mm. Three samples per edge keep the worst pose
below 0.1 % at both spacings, a tenth of the accuracy required; six win a few hundredths more for several times
the time, which is less than the bone's own voxels lose."""


if __name__ == "__main__":
    main()
