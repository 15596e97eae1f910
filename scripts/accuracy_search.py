#!/usr/bin/env python3
"""Does a search ever show a winner that frees less than asked, and does anything in its bounds do better?

    .venv/bin/python scripts/accuracy_search.py [--levels 200] [--budget 120] [--spacing-mm 1.2] [--others 6]

Narrow spines of `phantoms.cases.stenotic`, their own labels given on coarse voxels. Each level is searched from both
sides; then plans that the search did not see, laid at random within its bounds, and the usual plans are estimated
exactly. Counted: levels whose best frees enough within limits; levels where it does not, though a plan that the search
estimated, the usual plan or a random one does; levels where a plan of those is good and takes less weighted bone. A
line is printed for each level as it is done, so that one bad case costs one case.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.outcome.plan_numbers import numbers_of_plans
from canalwise.estimator.outcome.plan_values import PlanNumbers
from canalwise.estimator.search.best_approach import search
from canalwise.estimator.search.exploration import spread, usual_plan
from canalwise.estimator.search.search_task import SearchTask, spaces_of
from canalwise.estimator.search.search_values import SearchResult
from canalwise.recon.errors import CanalwiseError
from canalwise.workbench.validation.published_resections import prepared_case


@dataclass(frozen=True, eq=False)
class Level:
    """One level: what the search found, and numbers of plans that it did not see."""

    found: SearchResult
    others: list[PlanNumbers]

    @property
    def freed(self) -> bool:
        """Does the best free enough within limits?"""
        return self.found.best.numbers.good

    @property
    def good_others(self) -> list[PlanNumbers]:
        """Plans it did not see that do."""
        return [one for one in self.others if one.good]

    @property
    def missed(self) -> bool:
        """Is the best not good although another plan is?"""
        seen = [one.numbers for one in self.found.pareto if one.numbers.good]
        return not self.freed and bool(seen or self.good_others)

    @property
    def gap_frac(self) -> float:
        """By which share the best takes more weighted bone than the cheapest good plan it did not see; 0 at least."""
        cheapest = min((one.weighted_mm3 for one in self.good_others), default=np.inf)
        own = self.found.best.numbers.weighted_mm3
        return max(own / cheapest - 1.0, 0.0) if self.freed and np.isfinite(cheapest) else 0.0


def looked_at(prepared: PreparedLevel, budget: int, others: int, seed: int) -> Level:
    """One level searched, and other plans estimated."""
    question = SearchTask(budget=budget, seed=0)
    found, rng = search(prepared, question), np.random.default_rng([seed, 77])
    plans: list[Approach] = []
    for _, space in spaces_of(prepared, question):
        usual = usual_plan(space)
        plans += ([] if usual is None else [usual]) + space.approaches(spread(space, others, rng))
    return Level(found, list(numbers_of_plans(prepared, plans)))


def main() -> int:
    """Exit status: 1 where a winner frees less than asked though another plan frees enough."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--levels", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="number of the first spine")
    parser.add_argument("--budget", type=int, default=120, help="approaches that each search looks at")
    parser.add_argument("--spacing-mm", type=float, default=1.2)
    parser.add_argument("--others", type=int, default=6, help="random plans of each side that are estimated")
    options = parser.parse_args()
    levels: list[Level] = []
    for seed in range(options.first, options.first + options.levels):
        start = time.perf_counter()
        try:
            prepared = prepared_case(seed, options.spacing_mm)
            level = looked_at(prepared, options.budget, options.others, seed)
        except CanalwiseError as problem:
            print(f"{seed:4d} left out: {problem}", flush=True)
            continue
        levels.append(level)
        best, flag = level.found.best.numbers, "MISSED " if level.missed else ""
        print(f"{seed:4d} {flag}{best.verdict.sentence}; {best.bone_mm3:.0f} mm3, gap {level.gap_frac:.3f}, "
              f"{len(level.good_others)} of {len(level.others)} others good, {time.perf_counter() - start:.1f} s",
              flush=True)  # fmt: skip
    return counted(levels)


def counted(levels: list[Level]) -> int:
    """Print the counts; 1 where any was missed."""
    good = [level for level in levels if level.freed]
    missed = sum(level.missed for level in levels)
    gaps = np.array([level.gap_frac for level in good]) if good else np.zeros(1)
    said = sum(level.found.best.numbers.verdict.sentence.startswith(("Frees", "Breaks", "Nothing")) for level in levels)
    print(
        f"{len(levels)} levels: {len(good)} with a best that frees enough within limits, {missed} where another plan "
        f"did and the best did not, {len(levels) - len(good) - missed} where none found did; {said} say so first"
    )
    print(f"weighted bone of the best above the cheapest good plan it did not see: median {np.median(gaps):.3f}, "
          f"95 % {np.quantile(gaps, 0.95):.3f}, most {gaps.max():.3f}; above 0 in {int((gaps > 0).sum())}")  # fmt: skip
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
