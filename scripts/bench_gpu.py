#!/usr/bin/env python3
"""Speeds on a graphics card and agreement with the processor, printed as JSON.

    .venv/bin/python scripts/bench_gpu.py                   both on one machine
    .venv/bin/python scripts/bench_gpu.py --save FILE       the processor's part, for a machine with a card
    python3 scripts/bench_gpu.py --from FILE                the card's part: needs NumPy and CuPy alone
    python3 scripts/bench_gpu.py --from FILE --once NAME    one run of removals, keepings or reaches, for a profiler

The level is that of `level_bone.py`; the approaches are its usual start, tilted at random by up to +-TILT_DEG
and docked up to DOCKED_MM aside. Both distance fields are rounded to FIELD_STEP_MM, so that the file is small.

card, approaches, buckets, points   what was computed on what
NAME_kernel_per_s       approaches per second of the card's own time, phases and answers on the card; median of RUNS
removal_total_per_s     wall time from phases on the card to each approach's bone, slope and lateral on the host
removal_host_per_s      the same to all buckets' numbers
full_kernel_per_s       the three questions together
full_host_per_s         the same, all answers in the host's memory
agreement               greatest difference to the processor over CHECKED approaches: bone_rel of each one's bone,
                        bucket_rel of a whole bucket, slope_rel of the greatest slope, facet_abs of a whole joint; then
                        how many answers flip, differing by more than FLIP (mm; targets: a count), where something
                        passes a threshold, by how much, and the greatest difference of those that do not
same_bytes              did the same question give the same bytes again?
"""

from __future__ import annotations

import argparse
import gzip
import json
import pickle
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.table import ApproachTable, packed_phases
from canalwise.estimator.batch.gpu import Gpu, GpuLevelArrays, constants
from canalwise.estimator.geometry.level_arrays import F32, F64, LevelArrays

TILT_DEG, DOCKED_MM, FIELD_STEP_MM = 8.0, 3.0, 1 / 256
CHECKED, COUNT, RUNS, FLIP = 8192, 1 << 20, 7, 1e-4

Case = dict[str, Any]


def main() -> None:
    """Print the figures, or save what a card's machine needs."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--save", type=Path, help="write the processor's part here")
    parser.add_argument("--from", dest="source", type=Path, help="read it from here")
    parser.add_argument("--level", type=Path, help="a pickled anatomy to use for the level of bench.py")
    parser.add_argument("--once", choices=("removals", "keepings", "reaches"), help="run one kernel, print nothing")
    options = parser.parse_args()
    source: Path | None = options.source
    case = pickle.loads(gzip.decompress(source.read_bytes())) if source else processor_case(options.level)
    if options.save:
        options.save.write_bytes(gzip.compress(pickle.dumps(case), 6))
    elif options.once:
        run_once(case, options.once)
    else:
        print(json.dumps(card_figures(case), indent=1))


def processor_case(level: Path | None) -> Case:
    """The scene, the approach that all are made from, and the processor's answers."""
    from bench_scene import LEVEL, approaches, narrow_level

    from canalwise.estimator.approach.table import table_of
    from canalwise.estimator.batch.cpu import CPU
    from canalwise.estimator.level.prepared_level import prepared_level

    anatomy = pickle.loads(level.read_bytes()) if level else narrow_level()
    scene = _rounded(prepared_level(anatomy, LEVEL).scene)
    usual = table_of([approaches(anatomy)[2]])
    phases, clearance_radii_mm, outward = _requested(scene, usual, CHECKED, seed=1)
    answers = [*CPU.removals(scene, phases, clearance_radii_mm), *CPU.keepings(scene, phases, clearance_radii_mm)]
    answers += CPU.reaches(scene, phases, clearance_radii_mm, outward)
    return {"scene": scene, "usual": usual, "answers": answers, "constants": constants()}


def _rounded(scene: LevelArrays) -> LevelArrays:
    def rounded(field: F32) -> F32:
        return np.asarray(np.rint(field / FIELD_STEP_MM) * FIELD_STEP_MM, dtype=np.float32)

    shade = scene.shade._replace(field=rounded(scene.shade.field))
    return replace(scene, shade=shade, goals=scene.goals._replace(guard=rounded(scene.goals.guard)))


def disturbed(usual: ApproachTable, count: int, seed: int) -> ApproachTable:
    """So many approaches about one."""
    rng, table = np.random.default_rng(seed), usual.rows(np.zeros(count, dtype=np.intp))
    tilts = rng.uniform(-TILT_DEG, TILT_DEG, (2, *table.medial_deg.shape))
    docking = table.docking_mm + rng.uniform(-DOCKED_MM, DOCKED_MM, (count, 3))
    return replace(
        table, medial_deg=table.medial_deg + tilts[0], cranial_deg=table.cranial_deg + tilts[1], docking_mm=docking
    )


def _requested(scene: LevelArrays, usual: ApproachTable, count: int, seed: int) -> tuple[F32, F32, F32]:
    """Packed phases, berths and no shift of the targets."""
    table = disturbed(usual, count, seed)
    clearance_radii_mm = np.asarray(scene.clearance_mm + table.tool_mm / 2, dtype=np.float32)
    return packed_phases(table), clearance_radii_mm, np.zeros(count, dtype=np.float32)


def run_once(case: Case, name: str) -> None:
    """One kernel over all approaches, after one over a few."""
    card = Gpu(case["constants"])
    loaded = card.loaded(case["scene"])
    arguments = [card.cupy.asarray(a) for a in _requested(case["scene"], case["usual"], COUNT, seed=2)]
    getattr(loaded, name)(*arguments[: 3 if name == "reaches" else 2])
    card.cupy.cuda.Device().synchronize()


def card_figures(case: Case) -> dict[str, object]:
    """All figures."""
    card, scene = Gpu(case["constants"]), case["scene"]
    loaded, cupy = card.loaded(scene), card.cupy
    arguments = [cupy.asarray(a) for a in _requested(scene, case["usual"], COUNT, seed=2)]
    bone = cupy.asarray(np.array(scene.buckets) >= 100)
    kernels: dict[str, Callable[[], Any]] = {
        "removal": lambda: loaded.removals(*arguments[:2]),
        "keeping": lambda: loaded.keepings(*arguments[:2]),
        "reach": lambda: loaded.reaches(*arguments),
    }
    kernel_s = {name: card_seconds(cupy, kernel) for name, kernel in kernels.items()}

    def totals() -> list[Any]:
        weight, per_mm, lateral = loaded.removals(*arguments[:2])
        return [cupy.asnumpy(a) for a in (weight @ bone.astype(np.float32), per_mm @ bone.astype(np.float32), lateral)]

    def full() -> list[Any]:
        return [cupy.asnumpy(a) for kernel in kernels.values() for a in kernel()]

    return {
        "card": cupy.cuda.runtime.getDeviceProperties(0)["name"].decode(),
        "approaches": COUNT, "buckets": len(scene.buckets), "points": int(scene.cloud.xyz.shape[1]),
        **{f"{name}_kernel_per_s": COUNT / seconds for name, seconds in kernel_s.items()},
        "full_kernel_per_s": COUNT / sum(kernel_s.values()),
        "removal_total_per_s": COUNT / wall_seconds(totals),
        "removal_host_per_s": COUNT / wall_seconds(lambda: [cupy.asnumpy(a) for a in kernels["removal"]()]),
        "full_host_per_s": COUNT / wall_seconds(full),
        "agreement": agreement(card, case),
        "same_bytes": same_bytes(loaded, arguments),
    }  # fmt: skip


def card_seconds(cupy: Any, task: Callable[[], Any]) -> float:
    """Median time of the card itself."""
    took = []
    task()
    for _ in range(RUNS):
        start, end = cupy.cuda.Event(), cupy.cuda.Event()
        start.record()
        task()
        end.record()
        end.synchronize()
        took.append(cupy.cuda.get_elapsed_time(start, end) / 1e3)
    return float(np.median(took))


def wall_seconds(task: Callable[[], Any]) -> float:
    """Median wall time of what ends in the host's memory."""
    took = []
    task()
    for _ in range(RUNS):
        start = time.perf_counter()
        task()
        took.append(time.perf_counter() - start)
    return float(np.median(took))


def agreement(card: Gpu, case: Case) -> dict[str, float]:
    """How far the card's answers lie from the processor's."""
    scene = case["scene"]
    phases, clearance_radii_mm, outward = _requested(scene, case["usual"], CHECKED, seed=1)
    ours = [*card.removals(scene, phases, clearance_radii_mm), *card.keepings(scene, phases, clearance_radii_mm)]
    ours += card.reaches(scene, phases, clearance_radii_mm, outward)
    weight, slope, lateral, kept, pars, bridge, counts, reported = zip(ours, case["answers"], strict=True)
    bone = np.array(scene.buckets) >= 100
    totals = [w[:, bone].sum(axis=1) for w in weight]
    whole = np.zeros((2, 2))
    np.add.at(whole, scene.pairs.side, np.column_stack([scene.pairs.leaf_area, scene.pairs.leaf_width]))
    found = {
        "bone_rel": float((np.abs(totals[0] - totals[1]) / totals[1]).max()),
        "bucket_rel": float((np.abs(weight[0] - weight[1]) / scene.bucket_whole).max()),
        "slope_rel": float((np.abs(slope[0] - slope[1]).max(axis=1) / slope[1].max(axis=1)).max()),
        "facet_abs": float((np.abs(kept[0] - kept[1]) / np.maximum(whole, 1e-9)).max()),
    }
    named = (("lateral_taken", lateral), ("pars", pars), ("bridge", bridge), ("targets", counts), ("reach", reported))
    return found | {key: value for name, pair in named for key, value in flips(name, *pair).items()}


def flips(name: str, ours: F64, theirs: F64) -> dict[str, float]:
    """How many answers differ by more than FLIP, of how many, the most of those that do not, and of those that do."""
    same = (ours == theirs) | (np.isnan(ours) & np.isnan(theirs))
    differ = np.abs(np.subtract(ours, theirs, where=~same, out=np.zeros(ours.shape)))
    flipped: npt.NDArray[np.bool_] = ~(differ <= FLIP)
    return {
        f"{name}_flips": int(flipped.sum()),
        f"{name}_of": differ.size,
        f"{name}_abs": float(differ[~flipped].max(initial=0.0)),
        f"{name}_flip_abs": float(differ[flipped].max(initial=0.0)),
    }


def same_bytes(loaded: GpuLevelArrays, arguments: list[Any]) -> bool:
    """Is a second answer the first to the last byte?"""
    rows = [a[:CHECKED] for a in arguments]

    def reported() -> list[bytes]:
        answers = [*loaded.removals(*rows[:2]), *loaded.keepings(*rows[:2]), *loaded.reaches(*rows)]
        return [a.tobytes() for a in answers]

    return reported() == reported()


if __name__ == "__main__":
    main()
