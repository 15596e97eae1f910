#!/usr/bin/env python3
"""Is what `canalwise search` finds the least bone there is? Held against brute force on random phantoms.

Every node of a stated lattice through the very space that is searched is evaluated; then the best nodes are followed
downhill, each by random steps of its own, to the bottom of the valley it lies in. The search is given half its usual
budget, for it goes through one side only. Run with the project's Python:

    .venv/bin/python scripts/accuracy_search.py [--phantoms 10] [--budget 50000]

--dump FOLDER writes each phantom's lattice as coordinates (npz) for evaluation elsewhere.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench_scene import LEVEL, level_of

from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.approach.search_bounds import BOUNDS
from canalwise.estimator.batch.outcomes_by_relation import USUAL_WANTED
from canalwise.estimator.level.prepared_level import level_for_task, prepared_level
from canalwise.estimator.search.exploration import Cost, EvaluatedApproaches, bone_for_reach
from canalwise.estimator.search.search_space import SearchSpace
from canalwise.estimator.search.strategies import SearchTask, allowed_of, explore_all, least_missed, search_branches
from canalwise.phantoms.cases.random_spec import varied_spec
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side

SPACING_MM, BLUR_VOXELS = 0.8, 0.6
SIDE: Side = "left"

NODES = {
    "docking_lateral_mm": 7,
    "docking_cranial_mm": 5,
    "pivot_distance_mm": 1,
    "medial_tilt_deg": 6,
    "cranial_tilt_deg": 4,
    "sweep_deg": 1,
    "far_shift_mm": 2,
    "far_medial_tilt_deg": 9,
    "far_cranial_tilt_deg": 4,
    "far_sweep_deg": 1,
}
"""Nodes along each coordinate, from one end of its bound to the other; a single one lies at the lower end: the nearest
pivot and the least sweep, which cost least bone. Downhill from the nodes every coordinate is free."""

CHUNK = 2048
STARTS = 64
"""Best nodes that are followed downhill."""

TRIES, ROUNDS = 8, 120
"""Random steps tried from each at a time, and how often."""

FIRST_STEP, LONGER, SHORTER = 0.1, 1.5, 0.9
"""Length of the first steps as a share of each bound, and what it is multiplied by after a success and a failure."""

WITHIN_FRAC = 0.01
"""What the search may take more than the least by brute force."""


def lattice() -> Float:
    """(N, D) array: coordinates of every node."""
    axes = [np.linspace(0.0, 1.0, NODES[name]) if NODES[name] > 1 else np.zeros(1) for name in BOUNDS]
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(axes))


def anatomies(seed: int) -> Iterator[tuple[int, Anatomy]]:
    """Random spines whose level can be built, numbered; those that cannot are passed over aloud."""
    number = 0
    while True:
        try:
            yield number, level_of(varied_spec(np.random.default_rng([seed, number])), SPACING_MM, BLUR_VOXELS)
        except (CanalwiseError, ValueError) as problem:
            print(f"phantom {number} left out: {problem}", flush=True)
        number += 1


def brute_force(explored: EvaluatedApproaches) -> None:
    """Evaluates every node."""
    nodes = lattice()
    for start in range(0, len(nodes), CHUNK):
        explored.evaluated(nodes[start : start + CHUNK])


def downhill(explored: EvaluatedApproaches, cost: Cost, rng: np.random.Generator) -> None:
    """Follows the best nodes by random steps, each on its own: longer after a success, shorter after a failure."""
    units = explored.best_units(cost, STARTS)
    costs, length = cost(explored.evaluated(units)), np.full(len(units), FIRST_STEP)
    for _ in range(ROUNDS):
        steps = length[:, None, None] * rng.standard_normal((len(units), TRIES, units.shape[1]))
        tried = np.clip(units[:, None] + steps, 0.0, 1.0)
        reported = cost(explored.evaluated(tried.reshape(-1, units.shape[1]))).reshape(tried.shape[:2])
        best, better = reported.argmin(axis=1), reported.min(axis=1) < costs
        length *= np.where(better, LONGER, SHORTER)
        units[better], costs[better] = tried[better, best[better]], reported.min(axis=1)[better]


def ratio_of(anatomy: Anatomy, budget: int, dump: Path | None) -> tuple[float, str]:
    """Bone of the search's best over that of brute force, and a line about it."""
    prepared, start = prepared_level(anatomy, LEVEL), time.process_time()
    ways = search_branches(prepared, SearchTask(sides=(SIDE,), budget=budget), lambda _: None)
    explore_all(ways, SearchTask(sides=(SIDE,), budget=budget))
    searched, middle = ways[0].explored, time.process_time()
    brute = EvaluatedApproaches(SearchSpace(level_for_task(prepared, SIDE, USUAL_WANTED), Channel()))
    if dump is not None:
        np.savez(dump, unit=lattice())
    brute_force(brute)
    allowed = max(allowed_of(ways), 0.0)
    cost = bone_for_reach(allowed)
    node = cost(brute.found).min()
    downhill(brute, cost, np.random.default_rng(1))
    found, least = cost(searched.found).min(), cost(brute.found).min()
    missed = least_missed(searched.found), least_missed(brute.found)
    return float(found / least), (
        f"{found:8.1f} | {node:8.1f} | {least:8.1f} | {found / least:7.4f} | {missed[0]:.3f} {missed[1]:.3f} | "
        f"{len(searched)} {middle - start:.0f} s | {len(brute)} {time.process_time() - middle:.0f} s"
    )


def main() -> int:
    """Prints a line a phantom and says whether all are within WITHIN_FRAC."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--phantoms", type=int, default=10)
    parser.add_argument("--budget", type=int, default=50_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--dump", type=Path)
    task_level = parser.parse_args()
    print(f"lattice of {len(lattice())} nodes: {', '.join(f'{n} {k}' for k, n in NODES.items())}")
    print("phantom | search mm3 | node mm3 | downhill mm3 | ratio | least missed: search, brute | evaluated, CPU")
    ratios = []
    for number, anatomy in islice(anatomies(task_level.seed), task_level.phantoms):
        dump = None if task_level.dump is None else task_level.dump / f"lattice-{number}.npz"
        ratio, line = ratio_of(anatomy, task_level.budget, dump)
        ratios.append(ratio)
        print(f"{number:7} | {line}", flush=True)
    good = sum(ratio <= 1 + WITHIN_FRAC for ratio in ratios)
    print(f"{good} of {len(ratios)} within {WITHIN_FRAC:.0%} of the least by brute force; worst {max(ratios):.4f}")
    return 0 if good == len(ratios) else 1


if __name__ == "__main__":
    sys.exit(main())
