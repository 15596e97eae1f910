#!/usr/bin/env python3
"""Why `estimator.search.best_approach` goes about it so: optimisers, generations, budgets at equal evaluations.

Each way of searching starts from the same Sobol points of a narrow phantom level (one side, one instrument) and may
evaluate the same number of approaches more. Run with the project's Python; a few minutes:

    .venv/bin/python scripts/why_search.py [--budget 16000] [--seeds 3]
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench_scene import LEVEL, narrow_level

from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.batch.success_probability import ExecutionSampler, success_of
from canalwise.estimator.level.prepared_level import level_for_task, prepared_level
from canalwise.estimator.search import exploration as explore
from canalwise.estimator.search.best_approach import search
from canalwise.estimator.search.exploration import (
    Cost,
    EvaluatedApproaches,
    bone_for_reach,
    evolved,
    evolved_in_valleys,
    most_reach,
    spread,
)
from canalwise.estimator.search.search_space import DIMENSIONS, SearchSpace
from canalwise.estimator.search.strategies import SearchTask

START = 8192
ELITE, SHRINK = 64, 0.9
"""The best this many tell the next draw's mean and spread; steps about single ones shrink by this each time."""

CONCLUSION = """
At equal evaluations differential evolution in generations of 64 finds least bone and the same from every seed; larger
ones are slower, smaller ones now and then end in a lesser valley, and a sequence or steps without memory are far off.
One generation of 64 still missed the deepest valley of one phantom in ten, by a third (accuracy_search.py, no. 8); two
that start in valleys apart, and one from the best of both, found all ten.
From 50,000 approaches on, both sides together, the least bone no longer changes by more than a few per mille; the
likeliest plan still moves, for its chance is judged by few copies while it is looked for."""

Optimiser = Callable[[EvaluatedApproaches, Cost, int, np.random.Generator], None]


def sobol_only(explored: EvaluatedApproaches, _cost: Cost, count: int, rng: np.random.Generator) -> None:
    """More of the same low-discrepancy sequence: the grid's stand-in."""
    spread(explored, count, rng)


def normal_about_elite(explored: EvaluatedApproaches, cost: Cost, count: int, rng: np.random.Generator) -> None:
    """Draws from a normal distribution about the best, with their own covariance, again and again."""
    for _ in range(count // explore.POPULATION):
        best = explored.best_units(cost, ELITE)
        spread_of_best = np.cov(best.T) + 1e-6 * np.eye(DIMENSIONS)
        explored.evaluated(rng.multivariate_normal(best.mean(axis=0), spread_of_best, explore.POPULATION))


def steps_about_elite(explored: EvaluatedApproaches, cost: Cost, count: int, rng: np.random.Generator) -> None:
    """Random steps about each of the best, shorter every time."""
    generations = count // explore.POPULATION
    for length in np.geomspace(0.2, 0.005, generations):
        best = explored.best_units(cost, ELITE)
        chosen = best[rng.integers(len(best), size=explore.POPULATION)]
        explored.evaluated(chosen + length * rng.standard_normal(chosen.shape))


def evolution_of(population: int) -> Optimiser:
    """scipy's differential evolution with generations of that size."""

    def run(explored: EvaluatedApproaches, cost: Cost, count: int, rng: np.random.Generator) -> None:
        usual, explore.POPULATION = explore.POPULATION, population
        try:
            evolved(explored, cost, count, rng)
        finally:
            explore.POPULATION = usual

    return run


OPTIMISERS: dict[str, Optimiser] = {
    "Sobol only": sobol_only,
    "normal about the elite": normal_about_elite,
    "shrinking steps about the elite": steps_about_elite,
    "differential evolution, 32": evolution_of(32),
    "differential evolution, 64": evolution_of(64),
    "differential evolution, 128": evolution_of(128),
    "the same, two valleys apart, 64": evolved_in_valleys,
}


def least_of(space: SearchSpace, optimiser: Optimiser, budget: int, seed: int) -> tuple[float, float]:
    """(bone, bone at half the budget) of the cheapest that reaches enough within limits."""
    explored, rng, cost = EvaluatedApproaches(space), np.random.default_rng(seed), bone_for_reach(0.0)
    spread(explored, START, rng)
    optimiser(explored, most_reach, budget // 8, rng)
    optimiser(explored, cost, budget, rng)
    costs = cost(explored.found)
    return float(costs.min()), float(costs[: len(costs) - budget // 2].min())


def main() -> None:
    """Prints both tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--budget", type=int, default=16_000)
    parser.add_argument("--seeds", type=int, default=3)
    asked = parser.parse_args()
    prepared = prepared_level(narrow_level(), LEVEL)
    space = SearchSpace(level_for_task(prepared, "left", SearchTask().task), Channel())
    print(f"way of searching | least bone mm3 after {START} + {asked.budget} approaches, seeds 0..{asked.seeds - 1}"
          " (at half the budget) | s")  # fmt: skip
    for name, optimiser in OPTIMISERS.items():
        start = time.process_time()
        bones = [least_of(space, optimiser, asked.budget, seed) for seed in range(asked.seeds)]
        reported = ", ".join(f"{last:.1f} ({half:.1f})" for last, half in bones)
        print(f"{name:32} | {reported} | {(time.process_time() - start) / asked.seeds:.0f}", flush=True)
    print("budget of a whole search | best mm3 | likeliest mm3 | succeeds by hand: best, likeliest | s")
    for budget in (5_000, 10_000, 20_000, 50_000, 100_000):
        start = time.process_time()
        found = search(prepared, SearchTask(budget=budget))
        both = [success_of(p.candidate.way.task_level, p.approach, found.allowed_frac, ExecutionSampler(2000, 1)).both
                for p in (found.best, found.robust)]  # fmt: skip
        print(f"{budget:24} | {found.best.bone_mm3:8.1f} | {found.robust.bone_mm3:8.0f} | "
              f"{both[0]:.3f} {both[1]:.3f} | {time.process_time() - start:.0f}", flush=True)  # fmt: skip
    print(CONCLUSION)


if __name__ == "__main__":
    main()
