#!/usr/bin/env python3
"""Is a search near the best there is? Lattices through the whole space, then ever finer ones about the best so far.

    .venv/bin/python scripts/brute_force.py [--card] [--cases N] [--seed N] [--per-axis N] [--rounds N] [--budget N]

The cases are those of accuracy_search.py, which holds the search against a smaller lattice and its valleys; the same
batch counts for both. A lattice of N^10 approaches lies over the space, its ends included. Its
best approaches, of different docking points, are then followed: by a lattice that spans one spacing either way, by one
a spacing of that about the best so far, and so on. What lattices find is not handed to the search, nor the reverse.
Printed for each case as a JSON line: what the search found, the first lattice, and where each start led (mm3; 100000
and more where nothing kept all limits and reached enough), the best's coordinates, and how many approaches were held.

`--card` asks a graphics card: some four million approaches a second, laid by 16 threads.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from accuracy_search import SIDE, anatomies
from bench_scene import LEVEL

from canalwise.estimator.batch.cpu import CPU
from canalwise.estimator.batch.gpu import Gpu
from canalwise.estimator.batch.outcomes import Device, outcomes, reached_by_all
from canalwise.estimator.batch.outcomes_by_relation import ENOUGH_FRAC
from canalwise.estimator.batch.score import SHARE_TOL, guarded_score
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.search.exploration import BREAKS_MM3, NEVER_MM3, bone_for_reach
from canalwise.estimator.search.search_space import DIMENSIONS, SearchSpace
from canalwise.estimator.search.strategies import SearchTask, explore_all, search_branches
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES

CHUNK = 1 << 16
"""Approaches laid at a time by each thread."""

STARTS, FOLLOWED_PER_AXIS = 6, 4
"""The best approaches of so many chunks are followed, by lattices with so many points along each axis."""


@dataclass(frozen=True, eq=False)
class Least:
    """The cheapest of some approaches: its mm3, more than any bone where none will do, and its coordinates."""

    cost_mm3: float
    unit: Float
    tried: int
    reaching: int


def on_lattice(space: SearchSpace, ends: Float, per_axis: int, allowed_frac: float, on: Device = CPU) -> list[Least]:
    """The cheapest of each chunk of a lattice, as a search counts cost (`bone_for_reach`), in rising order.

    Parameters
    ----------
    ends : (2, D) array, coordinates of the lattice's first and last points
    allowed_frac : by how much the asked sets may fall short of enough, summed
    """
    count = per_axis**DIMENSIONS

    def of_chunk(start: int) -> Least:
        numbers = np.arange(start, min(start + CHUNK, count))
        steps = np.stack(np.unravel_index(numbers, (per_axis,) * DIMENSIONS), axis=1)
        return least_of(space, ends[0] + (ends[1] - ends[0]) * steps / (per_axis - 1), allowed_frac, on)

    with ThreadPoolExecutor(len(os.sched_getaffinity(0))) as pool:
        return sorted(pool.map(of_chunk, range(0, count, CHUNK)), key=lambda least: least.cost_mm3)


def least_of(space: SearchSpace, unit: Float, allowed_frac: float, on: Device) -> Least:
    """The same of (A, D) coordinates. Most reach too little, so reach is asked first."""
    asked, table = space.task_level, space.approaches(unit)
    shares = reached_by_all(asked.scene, table, on=on)[0][:, asked.side_of_set, np.arange(len(asked.requested_mm))]
    missed = np.maximum(ENOUGH_FRAC - SHARE_TOL - shares, 0.0).sum(axis=1)
    cost = NEVER_MM3 + BREAKS_MM3 * np.maximum(missed - allowed_frac, 0.0)
    rows = np.flatnonzero(missed <= allowed_frac)
    if len(rows):
        some = table.rows(rows)
        cost[rows] = bone_for_reach(allowed_frac)(guarded_score(asked, some, outcomes(asked.scene, some, on=on)))
    which = int(cost.argmin())
    return Least(float(cost[which]), unit[which], len(unit), len(rows))


@dataclass(eq=False)
class Lattices:
    """All lattices of one case, and how many approaches they held."""

    space: SearchSpace
    allowed_frac: float
    on: Device
    tried: int = 0
    reaching: int = 0

    def cheapest(self, ends: Float, per_axis: int) -> list[Least]:
        """The cheapest of each chunk of one lattice, in rising order."""
        found = on_lattice(self.space, ends, per_axis, self.allowed_frac, self.on)
        self.tried += sum(least.tried for least in found)
        self.reaching += sum(least.reaching for least in found)
        return found

    def everywhere(self, per_axis: int) -> list[Least]:
        """The cheapest of STARTS chunks of the lattice over the whole space."""
        return self.cheapest(np.stack([np.zeros(DIMENSIONS), np.ones(DIMENSIONS)]), per_axis)[:STARTS]

    def followed(self, start: Least, spacing: float, rounds: int) -> Least:
        """Ever finer lattices a spacing either way about the best so far."""
        best = start
        for _ in range(rounds):
            ends = np.clip(np.stack([best.unit - spacing, best.unit + spacing]), 0.0, 1.0)
            best = min(self.cheapest(ends, FOLLOWED_PER_AXIS)[0], best, key=lambda least: least.cost_mm3)
            spacing *= 2 / (FOLLOWED_PER_AXIS - 1)
        return best


def compared(anatomy: Anatomy, options: argparse.Namespace, on: Device) -> dict[str, object]:
    """One case: the search, then the lattices."""
    prepared = prepared_level(anatomy, LEVEL)
    question = SearchTask(sides=tuple(side for side in SIDES if side == SIDE), budget=options.budget)
    started_s = time.perf_counter()
    ways = search_branches(prepared, question, lambda _: None)
    allowed = explore_all(ways, question)
    cost = bone_for_reach(allowed)(ways[0].explored.found)
    searched_s = time.perf_counter()
    lattices = Lattices(ways[0].explored.space, allowed, on)
    starts = lattices.everywhere(options.per_axis)
    ends = [lattices.followed(start, 1 / (options.per_axis - 1), options.rounds) for start in starts]
    best = min(ends, key=lambda least: least.cost_mm3)
    return {
        "allowed_frac": allowed,
        "search_mm3": float(cost.min()),
        "search_evaluated": ways[0].explored.evaluations,
        "search_s": searched_s - started_s,
        "lattice_mm3": starts[0].cost_mm3,
        "followed_mm3": [least.cost_mm3 for least in ends],
        "best_unit": best.unit.round(4).tolist(),
        "lattice_tried": lattices.tried,
        "lattice_reaching": lattices.reaching,
        "lattice_s": time.perf_counter() - searched_s,
        "search_over_lattice": float(cost.min()) / best.cost_mm3,
    }


def main() -> None:
    """Print a line for each case."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--card", action="store_true", help="lattices on a graphics card")
    parser.add_argument("--cases", type=int, default=10)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--per-axis", type=int, default=5, help="lattice points along each of the ten axes")
    parser.add_argument("--rounds", type=int, default=10, help="lattices that follow each start")
    parser.add_argument("--budget", type=int, default=50_000, help="approaches the search may evaluate")
    options = parser.parse_args()
    on: Device = Gpu() if options.card else CPU
    for number, anatomy in islice(anatomies(options.seed), options.cases):
        print(json.dumps({"case": number, **compared(anatomy, options, on)}), flush=True)


if __name__ == "__main__":
    main()
