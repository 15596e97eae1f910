#!/usr/bin/env python3
"""Is a search near the best there is? A lattice through its whole space, every node estimated exactly.

    .venv/bin/python scripts/brute_force.py [--cases 5] [--spacing-mm 1.2] [--budget 800] [--nodes 4,3,2,6,5]

The cases are the first of accuracy_search.py, from the left alone. The lattice's nodes run from one end of each bound
to the other (docking lateral, docking cranial, pivot distance, medial tilt, cranial tilt); entries outside their bound
are left out. The cheapest good nodes are then followed by exact steps, each shorter after a failure. What lattice and
steps find is not handed to the search, nor the reverse. Printed for each case: weighted bone of the search's best, of
the best node and of where the steps led, how many plans each estimated, and by how much the bound lies below the best.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.estimator.outcome.decompressed import decompressed, numbers_of_plans
from canalwise.estimator.search.best_approach import search
from canalwise.estimator.search.search_space import DIMENSIONS, SearchSpace, spaces_of
from canalwise.estimator.search.search_task import SearchTask
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.grid import Float
from canalwise.workbench.validation.published_resections import prepared_case

STARTS, ROUNDS, TRIES = 3, 6, 6
"""Nodes that are followed, and how often so many steps are tried from each."""

FIRST_STEP, SHORTER = 0.08, 0.6
"""Length of the first steps as a share of each bound, and what it is multiplied by after a failure."""


def lattice(nodes: list[int]) -> Float:
    """(N, D) array: coordinates of every node."""
    axes = [np.linspace(0.0, 1.0, count) if count > 1 else np.zeros(1) for count in nodes]
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, DIMENSIONS)


def weighted(space: SearchSpace, unit: Float) -> Float:
    """(A,) array: weighted bone of plans that free enough within limits, infinite for the others."""
    found = numbers_of_plans(space.prepared, space.approaches(unit))
    return np.array([one.weighted_mm3 if one.good else np.inf for one in found])


def followed(space: SearchSpace, start: Float, cost: float, rng: np.random.Generator) -> tuple[float, int]:
    """Least weighted bone by steps from a node, and how many plans were estimated."""
    best, length, tried = start, FIRST_STEP, 0
    for _ in range(ROUNDS):
        steps = np.clip(best + length * rng.standard_normal((TRIES, DIMENSIONS)), 0.0, 1.0)
        steps = steps[space.enterable(steps)]
        costs = weighted(space, steps) if len(steps) else np.array([np.inf])
        tried += len(steps)
        if costs.min() < cost:
            best, cost = steps[costs.argmin()], float(costs.min())
        else:
            length *= SHORTER
    return cost, tried


def main() -> None:
    """Print a line for each case."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=5)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--spacing-mm", type=float, default=1.2)
    parser.add_argument("--budget", type=int, default=800, help="approaches the search looks at")
    parser.add_argument("--nodes", default="4,3,2,6,5", help="of the lattice, along each coordinate")
    options = parser.parse_args()
    nodes = lattice([int(count) for count in options.nodes.split(",")])
    for seed in range(options.first, options.first + options.cases):
        try:
            compared(seed, nodes, options)
        except CanalwiseError as problem:
            print(f"{seed:3d} left out: {problem}", flush=True)


def compared(seed: int, nodes: Float, options: argparse.Namespace) -> None:
    """One case."""
    prepared = prepared_case(seed, options.spacing_mm)
    question = SearchTask(sides=("left",), budget=options.budget)
    start = time.perf_counter()
    found = search(prepared, question)
    searched_s = time.perf_counter() - start
    ((_, space),) = spaces_of(prepared, question)
    some, rng = nodes[space.enterable(nodes)], np.random.default_rng(seed)
    costs = weighted(space, some)
    order = np.argsort(costs, kind="stable")[:STARTS]
    ends = [followed(space, some[row], float(costs[row]), rng) for row in order if np.isfinite(costs[row])]
    least, tried = min((end for end, _ in ends), default=np.inf), len(some) + sum(count for _, count in ends)
    own = found.best.numbers.weighted_mm3 if found.best.numbers.good else np.inf
    gap = decompressed(prepared, found.best.approach).gap_to_bound_frac
    line = f"{seed:3d} search {own:6.0f} ({found.evaluated} looked at, {found.exact} exactly, {searched_s:.1f} s)"
    line += f"  lattice {costs.min():6.0f} ({len(some)})  followed {least:6.0f} ({tried} exactly,"
    line += f" {time.perf_counter() - start - searched_s:.0f} s)  ratio {own / least:.3f}, bound {gap:.3f} below"
    print(line, flush=True)


if __name__ == "__main__":
    main()
