#!/usr/bin/env python3
"""Coarse resections on a graphics card beside the processor, printed as JSON.

    .venv/bin/python scripts/bench_coarse_gpu.py [--approaches 16384]

The level is that of `bench.py`; approaches are scattered through the search's bounds. All lines are found beforehand.

processor_per_s, card_per_s   approaches per second of wall time, from approaches to answers; processor on two threads
card_choice_per_s             the same of the choice alone, with numbers of pivots given
same_frac                     share of the approaches whose weighted bone is the same within SAME_REL
bone_rel, freed_abs           greatest difference of weighted bone, relative, and of a share freed
same_bytes                    does the same question give the same bytes again on the card?
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from bench_scene import LEVEL, narrow_level

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.batch.coarse_gpu import GpuChoice
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.resection import coarse
from canalwise.estimator.resection.coarse import SCREEN, coarse_level_of, coarse_resections
from canalwise.estimator.resection.resection import resection_level_of
from canalwise.estimator.search.search_space import DIMENSIONS, SearchSpace

SAME_REL, RUNS = 1e-6, 3

POOL_MB = 4000.0
"""Room for the lines of all approaches at once, so that none are found within what is timed."""


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=str(__doc__), formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--approaches", type=int, default=16384)
    options = parser.parse_args()
    coarse.POOL_MB = POOL_MB
    prepared = prepared_level(narrow_level(), LEVEL)
    space, at = SearchSpace(prepared, "left", Channel()), resection_level_of(prepared)
    units = np.random.default_rng(0).random((4 * options.approaches, DIMENSIONS))
    plans: list[Approach] = space.approaches(units[space.enterable(units)][: options.approaches])
    card = GpuChoice()
    ready = coarse_level_of(at, Channel(), SCREEN, "left")
    ready.resections(plans[:1])
    nodes, planes = ready.windows(plans)
    start = time.perf_counter()
    on_processor = coarse_resections(at, plans, SCREEN)
    first_s = time.perf_counter() - start
    on_card = coarse_resections(at, plans, SCREEN, card)
    again = coarse_resections(at, plans, SCREEN, card)
    numbers, out = ready.pool.numbers(nodes), np.empty((len(plans), 3))
    bone = np.abs(on_card.weighted_mm3 - on_processor.weighted_mm3) / np.maximum(on_processor.weighted_mm3, 1.0)
    freed = [np.abs(on_card.freed_frac[side] - on_processor.freed_frac[side]) for side in on_card.freed_frac]
    figures = {
        "approaches": len(plans), "pivots": len(ready.pool.pivots_mm), "lines": len(ready.pool.tip),
        "pool_mb": ready.pool.size_mb, "first_s": first_s,
        "processor_per_s": len(plans) / seconds(lambda: coarse_resections(at, plans, SCREEN)),
        "card_per_s": len(plans) / seconds(lambda: coarse_resections(at, plans, SCREEN, card)),
        "card_choice_per_s": len(plans)
        / seconds(lambda: card(ready.site, ready.pool, numbers, planes, SCREEN.effort, out)),
        "same_frac": float((bone < SAME_REL).mean()), "bone_rel": float(bone.max()),
        "bone_rel_95": float(np.percentile(bone, 95)), "freed_abs": float(np.nanmax(freed)),
        "same_bytes": on_card.weighted_mm3.tobytes() == again.weighted_mm3.tobytes(),
    }  # fmt: skip
    print(json.dumps(figures, indent=1))


def seconds(task: Callable[[], object]) -> float:
    """Least wall time of RUNS."""
    took = []
    for _ in range(RUNS):
        start = time.perf_counter()
        task()
        took.append(time.perf_counter() - start)
    return min(took)


if __name__ == "__main__":
    main()
