"""How the batch's cost grows with the number of approaches and of bone voxels, and what its cells cost in accuracy.

    .venv/bin/python scripts/bench_scaling.py [--plot scaling.png]

Prints processor microseconds per approach, removal only, for batches of 256 to 16,384 approaches at 0.5 mm, and on
voxels of 1.2 to 0.4 mm with as many approaches; then the exponents of both (slope of a line through the logarithms; 1
is linear).
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from bench_scene import LEVEL, narrow_level, scattered

from canalwise.estimator.approach.table import ApproachTable
from canalwise.estimator.batch.outcomes import taken_by_all
from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level

COUNTS = (256, 1024, 4096, 16384)
SPACINGS_MM = (1.2, 1.0, 0.8, 0.6, 0.5, 0.4)
REPEATS = 5


def main() -> None:
    """Print both tables, and draw them when requested."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--plot", type=Path, help="draw both curves into this PNG")
    options = parser.parse_args()
    by_count, by_voxels = seconds_by_count(), seconds_by_voxels()
    print(f"{'approaches':>12}{'s':>10}{'us each':>10}")
    for count, seconds in by_count.items():
        print(f"{count:12d}{seconds:10.3f}{1e6 * seconds / count:10.1f}")
    print(f"\n{'voxels':>12}{'us each':>10}")
    for voxels, seconds in by_voxels.items():
        print(f"{voxels:12d}{1e6 * seconds:10.1f}")
    print(f"\nexponent over approaches {exponent(by_count):.2f}, over voxels {exponent(by_voxels):.2f}")
    if options.plot:
        draw(options.plot, by_count, by_voxels)


def seconds_by_count() -> dict[int, float]:
    """Approaches -> processor seconds of the whole batch."""
    anatomy = narrow_level()
    prepared = prepared_level(anatomy, LEVEL)
    return {count: least_cpu_s(prepared, scattered(anatomy, count)) for count in COUNTS}


def seconds_by_voxels() -> dict[int, float]:
    """Bone voxels that may be taken -> processor seconds per approach."""
    found = {}
    for spacing_mm in SPACINGS_MM:
        anatomy = narrow_level(spacing_mm)
        prepared = prepared_level(anatomy, LEVEL)
        bone = np.array(prepared.scene.buckets) >= 100
        voxels = int(prepared.scene.bucket_whole[bone].sum() / anatomy.grid.voxel_mm3)
        found[voxels] = least_cpu_s(prepared, scattered(anatomy, 1024)) / 1024
    return found


def least_cpu_s(prepared: PreparedLevel, table: ApproachTable) -> float:
    """Least processor seconds of REPEATS runs, after a small one to warm up."""
    taken_by_all(prepared.scene, table.rows(np.arange(8)))
    taken = []
    for _ in range(REPEATS):
        start_s = time.process_time()
        taken_by_all(prepared.scene, table)
        taken.append(time.process_time() - start_s)
    return min(taken)


def exponent(seconds: dict[int, float]) -> float:
    """Slope of the line through the logarithms."""
    return float(np.polyfit(np.log(list(seconds)), np.log(list(seconds.values())), 1)[0])


def draw(path: Path, by_count: dict[int, float], by_voxels: dict[int, float]) -> None:
    """Both curves on logarithmic axes."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8, 3.5), layout="constrained")
    panels = ((by_count, "approaches"), (by_voxels, "bone voxels"))
    for axes, (found, what) in zip(figure.subplots(1, 2), panels, strict=True):
        axes.loglog(list(found), list(found.values()), "o-")
        axes.set_xlabel(what)
        axes.set_title(f"exponent {exponent(found):.2f}", loc="left")
        axes.grid(alpha=0.3)
    figure.axes[0].set_ylabel("processor s, whole batch")
    figure.axes[1].set_ylabel("processor s per approach")
    figure.savefig(path, dpi=120)


if __name__ == "__main__":
    main()
