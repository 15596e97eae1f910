#!/usr/bin/env python3
"""Speeds on this machine, as ratios measured in one run so that they mean the same on any.

    .venv/bin/python scripts/bench.py [--json] [--no-build]

removal_per_s            batch: removals of an approach (two phases, sleeve and tool) per second of wall time on all
                         processors, keep-out and protected parts included, BATCH approaches scattered about the usual
removal_per_cpu_s        the same per second of processor time
full_per_s               removals with joints, pars, spinous base and reach
bone_voxels              voxels of bone that may be taken there
exact_removal_per_s      removals with sub-voxel sampling per second of processor time
exact_per_s              complete exact estimates per second of processor time (two threads share one estimate), on a
                         prepared level, intervals left out
estimate_with_intervals_s   wall time of an exact estimate and a thousand samples for its intervals, level prepared
resection_ms             wall time of the resection of one approach, level prepared (two threads share it)
plan_ms                  the same with all that it comes to: freed, joints, pars, base, verdict
screen_per_s, close_per_s   coarse resections per second of processor time, of approaches scattered through the bounds:
                         the form that screens, and the one that ranks
search_s                 wall time of a search with its usual budget from both sides, level prepared
first_answer_ms          wall time of a complete exact estimate, intervals left out, of an approach that a running
                         program has not requested before: one estimate of another approach has prepared the level and
                         loaded the kernels; the fastest of four such approaches, as the others were disturbed
new_process_ms           the same in a new process: level prepared and kernels loaded anew, imports and reading left out
mesh_boolean_per_s       the same swept region taken from a closed mesh of the bone by an exact boolean (no keep-out)
ratio_vs_mesh_boolean    batch removals per second of processor time / mesh_boolean_per_s
plain_numpy_per_s        the same samples of the same voxels tested by numpy without a thought for speed (no keep-out)
ratio_vs_plain_numpy     the same / plain_numpy_per_s
build_s, build_cpu_s     file -> case on disk, 512 x 512 x 400 voxels: wall and processor seconds
build_peak_mb            the process's greatest memory meanwhile
build_STEP_s, _cpu_s, _mb   the same of each step
plain_s                  plain scipy passes over the whole volume: smooth, threshold, label, distance
build_ratio_vs_plain     plain_s / the seconds from a scan in memory to its anatomy
"""

from __future__ import annotations

import argparse
import json
import os
import pickle
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from itertools import cycle
from pathlib import Path
from typing import TypeVar

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from bench_build import build_figures, child
from bench_mesh import bone_solid, boolean_removal_mm3
from bench_scene import LEVEL, SPEC, approaches, narrow_level, scattered

from canalwise.estimator.approach.approach import Approach, PlacedPhase, placed_phases
from canalwise.estimator.approach.table import ApproachTable
from canalwise.estimator.batch.outcomes import outcomes, taken_by_all
from canalwise.estimator.estimate.estimate import estimate_of
from canalwise.estimator.estimate.intervals import intervals_of
from canalwise.estimator.geometry.bricks import SAMPLES_PER_EDGE
from canalwise.estimator.geometry.signed_distance import swept_distance_mm
from canalwise.estimator.level.keep_out import KeepOut
from canalwise.estimator.level.level_bone import LevelBone, bone_bricks
from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.removal.bone_removal import removal_of
from canalwise.estimator.removal.region import ConeRegion
from canalwise.estimator.resection.coarse import CLOSE, SCREEN, coarse_resections
from canalwise.estimator.resection.resection import resection_level_of, resection_of
from canalwise.estimator.search.best_approach import search
from canalwise.estimator.search.exploration import spread
from canalwise.estimator.search.search_space import SearchSpace
from canalwise.estimator.search.search_task import SearchTask
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.grid import isotropic_grid

T = TypeVar("T")

LEAST_S = 1.5
"""Each task is repeated at least this long; the fastest of its runs counts, as the others were disturbed."""

BATCH = 4096
"""Approaches in a batch that is timed."""

REPEATS = 5

SCATTERED = 40
"""Approaches whose coarse resections are timed."""

CORRIDOR_MM = np.array([[-30.0, -15.0, -35.0], [30.0, 60.0, 35.0]])
"""Opposite corners, in the level frame, of the box that all channels tried here stay in; the mesh is cropped to it."""

AGREE_FRAC = 0.01
"""Without keep-out and protected parts, which the mesh does not know, the exact removal must be the mesh's within this;
and the batch's, with both, the exact one's."""


def main() -> None:
    """Print the figures, as a table or as JSON."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")
    parser.add_argument("--no-build", action="store_true", help="leave out the build of a whole CT (minutes)")
    parser.add_argument("--child", nargs=2, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        print(json.dumps(_child(options.child[0], Path(options.child[1]))))
        return
    figures = estimator_figures() | ({} if options.no_build else build_figures(SPEC))
    rounded = {name: float(f"{value:.4g}") for name, value in figures.items()}
    lines = [f"{name:24} {value:12g}" for name, value in rounded.items()]
    print(json.dumps(rounded) if options.json else "\n".join(lines))


def estimator_figures() -> dict[str, float]:
    """Keys of the estimator."""
    anatomy = narrow_level()
    level, tried = anatomy.level(LEVEL), approaches(anatomy)
    prepared = prepared_level(anatomy, LEVEL)
    level_bone = prepared.level_bone
    placed = [placed_phases(approach, level.frame) for approach in tried]
    keep_out = prepared.keep_out(tried[0].channel.tool_radius_mm)
    bone = bone_solid(level_bone, level.frame.to_world_mm(CORRIDOR_MM))
    everything = bone_bricks(level_bone, protected=())
    for phases in placed:
        unhindered = removal_of(level_bone, ConeRegion(phases, nothing_kept_out()), everything)
        check_agreement(unhindered.total_mm3, boolean_removal_mm3(bone, phases))
    exact = per_second(lambda phases: removal_of(level_bone, ConeRegion(phases, keep_out)), placed)
    batch = batch_figures(prepared, scattered(anatomy, BATCH))
    mesh = per_second(lambda phases: boolean_removal_mm3(bone, phases), placed)
    plain = per_second(lambda phases: plain_removal_mm3(level_bone, phases), placed)
    return {
        **batch,
        "exact_removal_per_s": exact,
        "exact_per_s": per_second(lambda approach: estimate_of(prepared, approach), tried),
        **resection_figures(prepared),
        "estimate_with_intervals_s": least_seconds(lambda: intervals_of(estimate_of(prepared, tried[0])))[0],
        "mesh_boolean_per_s": mesh,
        "ratio_vs_mesh_boolean": batch["removal_per_cpu_s"] / mesh,
        "plain_numpy_per_s": plain,
        "ratio_vs_plain_numpy": batch["removal_per_cpu_s"] / plain,
        **first_answers_ms(anatomy, tried),
    }


def batch_figures(prepared: PreparedLevel, table: ApproachTable) -> dict[str, float]:
    """What the batch does per second; refuses when its removals are not those of exact estimates."""
    shown = table.rows(np.arange(0, len(table), len(table) // 8))
    for row, ours_mm3 in enumerate(taken_by_all(prepared.scene, shown).bone_mm3):
        exact_mm3 = estimate_of(prepared, shown.approach(row)).cone.removal.total_mm3
        check_agreement(float(ours_mm3), exact_mm3)
    removal_s, removal_cpu_s = least_seconds(lambda: taken_by_all(prepared.scene, table))
    full_s, _ = least_seconds(lambda: outcomes(prepared.scene, table))
    return {
        "removal_per_s": len(table) / removal_s,
        "removal_per_cpu_s": len(table) / removal_cpu_s,
        "full_per_s": len(table) / full_s,
        "bone_voxels": float(len(prepared.level_bone.takeable.voxels)),
    }


def resection_figures(prepared: PreparedLevel) -> dict[str, float]:
    """Speeds of resections, one exactly, many coarsely, and of a search through them."""
    at, start = resection_level_of(prepared), default_approach(prepared.anatomy, LEVEL, "left")
    space, rng = SearchSpace(prepared, "left", start.channel), np.random.default_rng(0)
    plans = space.approaches(spread(space, SCATTERED, rng))
    start_s = time.perf_counter()
    search(prepared, SearchTask())
    searched_s = time.perf_counter() - start_s
    return {
        "resection_ms": 1e3 * least_seconds(lambda: resection_of(at, start))[0],
        "plan_ms": 1e3 * least_seconds(lambda: decompressed(prepared, start).numbers)[0],
        "screen_per_s": len(plans) / least_seconds(lambda: coarse_resections(at, plans, SCREEN))[1],
        "close_per_s": len(plans) / least_seconds(lambda: coarse_resections(at, plans, CLOSE))[1],
        "search_s": searched_s,
    }


def least_seconds(task: Callable[[], object]) -> tuple[float, float]:
    """Least wall and processor seconds of REPEATS runs, after one to warm up."""
    task()
    taken = []
    for _ in range(REPEATS):
        start_s, start_cpu_s = time.perf_counter(), time.process_time()
        task()
        taken.append((time.perf_counter() - start_s, time.process_time() - start_cpu_s))
    return min(wall for wall, _ in taken), min(cpu for _, cpu in taken)


def per_second(task: Callable[[T], object], inputs: Sequence[T]) -> float:
    """Runs per second of CPU, the fastest after one to warm up."""
    task(inputs[0])
    fastest_s, spent_s = np.inf, 0.0
    endless = cycle(inputs)
    while spent_s < LEAST_S:
        start_s = time.process_time()
        task(next(endless))
        took_s = time.process_time() - start_s
        fastest_s, spent_s = min(fastest_s, took_s), spent_s + took_s
    return 1 / fastest_s


def plain_removal_mm3(level_bone: LevelBone, phases: tuple[PlacedPhase, ...]) -> float:
    """The removal by testing every sample of every bone voxel."""
    index = np.argwhere(level_bone.bone_mm3 > 0)
    steps = (np.arange(SAMPLES_PER_EDGE) + 0.5) / SAMPLES_PER_EDGE - 0.5
    inside = np.zeros(len(index))
    for offset in np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(-1, 3):
        points = level_bone.grid.world_mm(index + offset)
        inside += np.min([swept_distance_mm(points, phase) for phase in phases], axis=0) < 0
    return float((inside / SAMPLES_PER_EDGE**3 * level_bone.bone_mm3[tuple(index.T)]).sum())


def nothing_kept_out() -> KeepOut:
    """A keep-out far from everything."""
    return KeepOut(isotropic_grid([1e4] * 3, [1e4 + 1] * 3, 1.0), np.full((2, 2, 2), 9.0, dtype=np.float32), 0.0)


def check_agreement(ours_mm3: float, mesh_mm3: float) -> None:
    """Refuses to compare speeds of two things that do not give the same answer."""
    if abs(ours_mm3 / mesh_mm3 - 1) > AGREE_FRAC:
        raise SystemExit(f"the removals disagree: {ours_mm3:.0f} mm3 by voxels, {mesh_mm3:.0f} mm3 by the mesh")


def first_answers_ms(anatomy: Anatomy, approaches: Sequence[Approach]) -> dict[str, float]:
    """`new_process_ms` of the first approach in a new process, `first_answer_ms` of the others after it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "anatomy.pickle"
        path.write_bytes(pickle.dumps((anatomy, tuple(approaches))))
        command = [sys.executable, __file__, "--child", "first", str(path)]
        done = subprocess.run(command, check=True, capture_output=True, text=True)
    return dict(json.loads(done.stdout))


def _child(task: str, path: Path) -> Mapping[str, object]:
    if task != "first":
        return child(task, path)
    anatomy, requested = pickle.loads(path.read_bytes())
    took_ms = []
    start_s = time.perf_counter()
    prepared = prepared_level(anatomy, LEVEL).ready()
    for approach in requested:
        estimate_of(prepared, approach)
        took_ms.append(1e3 * (time.perf_counter() - start_s))
        start_s = time.perf_counter()
    return {"first_answer_ms": min(took_ms[1:]), "new_process_ms": took_ms[0]}


if __name__ == "__main__":
    main()
