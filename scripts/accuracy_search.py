#!/usr/bin/env python3
"""Does a search ever show a winner that frees less than required, and does anything in its bounds do better?

    .venv/bin/python scripts/accuracy_search.py [--first 0] [--levels 200] [--budget 120] [--others 6]
    .venv/bin/python scripts/accuracy_search.py --report FILE...

Narrow spines of `phantoms.cases.stenotic`, their own labels given on coarse voxels. Each level is searched from both
sides; then plans that the search did not see, drawn at random within its bounds, and the usual plans are estimated
exactly. Counted: levels whose best frees enough within limits; levels where it does not, though a plan that the search
estimated, the usual plan or a random one does; levels where a plan of those is good and takes less weighted bone. A
line is printed for each level as it is done, and added to --records, so that one bad case costs one case; --report
puts such files together. Chances of the picks are not asked here: they take most of a search's time and decide nothing
about its best.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.execution.uncertainty_values import ExecutionTrial, ResectionChances, ResectionIntervals
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.outcome.decompressed import DecompressedLevel, numbers_of_plans
from canalwise.estimator.outcome.plan_values import PlanNumbers
from canalwise.estimator.search import best_approach
from canalwise.estimator.search.best_approach import search
from canalwise.estimator.search.chance import COPIES
from canalwise.estimator.search.exploration import spread, usual_plan
from canalwise.estimator.search.search_space import spaces_of
from canalwise.estimator.search.search_task import SearchTask
from canalwise.estimator.search.search_values import PlanChance, SearchResult
from canalwise.recon.errors import CanalwiseError
from canalwise.workbench.validation.published_resections import prepared_case


def no_executions(_found: DecompressedLevel, trial: ExecutionTrial) -> ResectionIntervals:
    """Stands for the simulated executions of a pick."""
    return ResectionIntervals({}, ResectionChances(float("nan"), None, None, {}, 0), trial)


def no_chance(found: DecompressedLevel, _executed: ResectionIntervals, _seed: int) -> PlanChance:
    """Stands for the chances of a pick."""
    bone = found.cost.total_mm3
    return PlanChance(float("nan"), None, float("nan"), 0, np.full(COPIES, bone), (bone, bone))


setattr(best_approach, "resection_intervals", no_executions)  # noqa: B010
setattr(best_approach, "chance_of", no_chance)  # noqa: B010


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


def record_of(seed: int, level: Level) -> dict[str, Any]:
    """A level in plain numbers."""
    best = level.found.best.numbers
    return {
        "seed": seed, "freed": level.freed, "missed": level.missed, "gap_frac": level.gap_frac,
        "least_freed_frac": best.least_freed_frac, "bone_mm3": best.bone_mm3, "sentence": best.verdict.sentence,
        "good_others": len(level.good_others), "others": len(level.others),
        "short_called_good": best.good and best.least_freed_frac < level.found.enough_frac - 1e-9,
    }  # fmt: skip


def main() -> int:
    """Exit status: 1 where a winner frees less than required though another plan frees enough."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--levels", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="number of the first spine")
    parser.add_argument("--budget", type=int, default=120, help="approaches that each search looks at")
    parser.add_argument("--spacing-mm", type=float, default=1.2)
    parser.add_argument("--others", type=int, default=6, help="random plans of each side that are estimated")
    parser.add_argument("--records", type=Path, metavar="FILE", help="levels are added here, one JSON line each")
    parser.add_argument("--report", type=Path, nargs="+", metavar="FILE", help="only count the levels of such files")
    options = parser.parse_args()
    if options.report:
        return counted([json.loads(line) for path in options.report for line in path.read_text().splitlines()])
    levels: list[dict[str, Any]] = []
    for seed in range(options.first, options.first + options.levels):
        start = time.perf_counter()
        try:
            prepared = prepared_case(seed, options.spacing_mm)
            one = record_of(seed, looked_at(prepared, options.budget, options.others, seed))
        except CanalwiseError as problem:
            print(f"{seed:4d} left out: {problem}", flush=True)
            continue
        levels.append(one)
        if options.records:
            with options.records.open("a", buffering=1 << 22) as file:
                file.write(json.dumps(one) + "\n")
        flag = "MISSED " if one["missed"] else ""
        print(f"{seed:4d} {flag}{one['sentence']}; {one['bone_mm3']:.0f} mm3, gap {one['gap_frac']:.3f}, "
              f"{one['good_others']} of {one['others']} others good, {time.perf_counter() - start:.1f} s",
              flush=True)  # fmt: skip
    return counted(levels)


def counted(levels: list[dict[str, Any]]) -> int:
    """Print the counts; 1 where any was missed or a plan that frees too little was called good."""
    good = [level for level in levels if level["freed"]]
    missed = sum(level["missed"] for level in levels)
    short = sum(level["short_called_good"] for level in levels)
    gaps = np.array([level["gap_frac"] for level in good]) if good else np.zeros(1)
    said = sum(level["sentence"].startswith(("Frees", "Breaks", "Nothing")) for level in levels)
    print(
        f"{len(levels)} levels: {len(good)} with a best that frees enough within limits, {missed} where another plan "
        f"did and the best did not, {len(levels) - len(good) - missed} where none found did; {said} say so first; "
        f"{short} winners called good that free less than asked"
    )
    print(f"weighted bone of the best above the cheapest good plan it did not see: median {np.median(gaps):.3f}, "
          f"95 % {np.quantile(gaps, 0.95):.3f}, most {gaps.max():.3f}; above 0 in {int((gaps > 0).sum())}")  # fmt: skip
    return 1 if missed or short else 0


if __name__ == "__main__":
    sys.exit(main())
