"""Going through a search space by coarse resections: everywhere first, then about the best, then more closely.

1. Everywhere: the usual plan and a low-discrepancy sequence, screened.
2. About the best: generations of steps from the cheapest so far, screened, shorter each time.
3. Closely: the cheapest once more in the form that ranks as the fine one does, then steps about the best of those.

Cheap is little weighted bone and enough freed: what is short of enough costs bone in proportion, for a screen's share
is not sure enough to forbid anything.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.resection.coarse import CLOSE, SCREEN, CoarseForm, coarse_resections
from canalwise.estimator.search.search_space import DIMENSIONS, SearchSpace
from canalwise.estimator.search.search_values import SearchBranch, Seen
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.grid import Float

STAGES = {"everywhere": 0.45, "about the best": 0.30, "closely": 0.25}
"""Share of the budget spent on each stage (scripts/why_search.py)."""

CHUNK = 16
"""Approaches looked at between two signs of progress."""

ELITE = 12
"""Approaches that steps start from."""

STEPS = (0.14, 0.07, 0.035)
"""Standard deviation of each generation's steps, as a share of each bound's width."""

CLOSE_STEP, CLOSE_ELITE, AGAIN_FRAC = 0.035, 6, 0.6
"""The same of the steps taken closely, from so many; this share of that stage's budget looks at the cheapest again."""

SHORT_MM3 = 10_000.0
"""What a side that is freed by all less than enough costs: 1000 mm3 for a tenth, so that a plan that frees what is
required is nearly always the cheaper one, and one that may be good is still looked at (choice)."""

TRIES = 64
"""Chunks drawn at most to fill one with entries within their bound."""


def coarse_cost(weighted_mm3: Float, least_freed_frac: Float, enough_frac: float) -> Float:
    """Weighted bone, and more the more a side falls short of enough.

    Parameters
    ----------
    weighted_mm3 : (A,) array, bone at its price
    least_freed_frac : (A,) array, share freed on the side that is freed less

    Returns
    -------
    cost : (A,) array, weighted mm3

    >>> coarse_cost(np.array([900.0, 500.0]), np.array([0.95, 0.8]), 0.9).round().tolist()
    [900.0, 1500.0]
    """
    return np.asarray(weighted_mm3 + SHORT_MM3 * np.maximum(enough_frac - least_freed_frac, 0.0))


def look(branch: SearchBranch, unit: Float, form: CoarseForm) -> None:
    """Looks at the approaches at (A, D) coordinates; the branch keeps what was seen."""
    seen = branch.close if form is CLOSE else branch.screened
    for start in range(0, len(unit), CHUNK):
        some = np.clip(unit[start : start + CHUNK], 0.0, 1.0)
        found = coarse_resections(branch.at, branch.space.approaches(some), form)
        seen.units.append(some)
        seen.weighted.append(found.weighted_mm3)
        seen.freed.append(found.least_frac)
        branch.progress(len(some))


def cheapest(branch: SearchBranch, seen: Seen, count: int) -> Float:
    """(count, D) array: coordinates of the cheapest seen, the earlier first where two cost the same."""
    cost = coarse_cost(seen.weighted_mm3, seen.freed_frac, branch.enough_frac)
    return np.asarray(seen.unit[np.argsort(cost, kind="stable")[:count]])


def explore(branch: SearchBranch, budget: int, rng: np.random.Generator) -> None:
    """Spends a budget on a branch; Ctrl-C ends it with what was seen until then."""
    counts = {stage: max(round(share * budget), 1) for stage, share in STAGES.items()}
    usual = usual_plan(branch.space)
    start = np.empty((0, DIMENSIONS)) if usual is None else branch.space.unit_of(usual)[None]
    look(branch, np.concatenate([start, spread(branch.space, counts["everywhere"] - len(start), rng)]), SCREEN)
    for length in STEPS:
        about = steps_about(branch.space, cheapest(branch, branch.screened, ELITE), length,
                            counts["about the best"] // len(STEPS), rng)  # fmt: skip
        look(branch, about, SCREEN)
    again = max(round(AGAIN_FRAC * counts["closely"]), 1)
    look(branch, cheapest(branch, branch.screened, again), CLOSE)
    best = cheapest(branch, branch.close, CLOSE_ELITE)
    look(branch, steps_about(branch.space, best, CLOSE_STEP, counts["closely"] - again, rng), CLOSE)


def usual_plan(space: SearchSpace) -> Approach | None:
    """The plan a surgeon would start from; None where it cannot be constructed."""
    try:
        return default_approach(space.prepared.anatomy, space.prepared.level.name, space.side, space.channel)
    except CanalwiseError:
        return None


def spread(space: SearchSpace, count: int, rng: np.random.Generator) -> Float:
    """(count, D) array: a scrambled Sobol sequence through the space, as far as its entries lie within their bound."""
    from scipy.stats import qmc  # 40 MB, which nobody needs who does not search

    sobol = qmc.Sobol(DIMENSIONS, rng=rng)
    return _enterable(space, count, lambda size: sobol.random(_power_of_two(size)))


def steps_about(space: SearchSpace, from_unit: Float, length: float, count: int, rng: np.random.Generator) -> Float:
    """(count, D) array: random steps from some coordinates, each as often as the others."""

    def stepped(size: int) -> Float:
        chosen = from_unit[np.arange(size) % len(from_unit)]
        return np.clip(chosen + length * rng.standard_normal(chosen.shape), 0.0, 1.0)

    return _enterable(space, count, stepped)


def _enterable(space: SearchSpace, count: int, draw: Callable[[int], Float]) -> Float:
    """The first `count` of what is drawn that can be entered; fewer where hardly anything can."""
    kept = np.empty((0, DIMENSIONS))
    for _ in range(TRIES):
        if len(kept) >= count:
            break
        drawn = draw(max(count, 1))
        kept = np.concatenate([kept, drawn[space.enterable(drawn)]])
    return kept[: max(count, 0)]


def _power_of_two(count: int) -> int:
    return 1 << max(count - 1, 1).bit_length()
