"""Accesses compared on the best plans found: each side, both sides, and a midline laminectomy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from canalwise.estimator.comparison.access_results import (
    BOTH,
    MIDLINE,
    AccessChances,
    AccessComparison,
    AccessResult,
)
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.outcome.joined_outcome import SIDES_NAMED_FROM, both_sides, midline
from canalwise.estimator.planning.canal_entry import canal_entry_of
from canalwise.estimator.resection.resection import level_for, resection_of
from canalwise.estimator.resection.resection_level import ResectionLevel, with_set
from canalwise.estimator.search.best_approach import search
from canalwise.estimator.search.search_task import Progress, SearchTask
from canalwise.estimator.search.search_values import SearchResult
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.labels import SIDES, Side

HALF_SHARE = 1.0 / 6.0
"""Share of the budget for the entry of each side that both sides are made of; each side alone takes the double."""


def compared_accesses(
    prepared: PreparedLevel, question: SearchTask, progress: Progress = lambda _: None
) -> AccessComparison:
    """The best plan of each side, an entry for each half from both sides, and a midline laminectomy, as far as in view.

    All are held against the same room needed. Both sides are searched apart, each for its own half of the set.

    Raises
    ------
    AnatomyNotFound : neither side can be docked on, or there is no dural sac or no ligament
    """
    sides = [side for side in question.sides if canal_entry_of(prepared.level, side) is not None]
    if not sides:
        raise AnatomyNotFound(
            f"interlaminar window {prepared.level.name}", "or the lamina edges must be in view on at least one side"
        )
    at, accesses_found, stopped = level_for(prepared, question.breadth), [], False
    for side in sides:
        budget = max(round(2 * HALF_SHARE * question.budget), 1)
        mine = replace(question, sides=(side,), budget=budget, best_only=True)
        found = search(prepared, mine, progress, at)
        stopped |= found.stopped
        accesses_found.append(_one_sided(side, found))
    if len(sides) == len(SIDES):
        halves = [_half(prepared, at, question, side, progress) for side in SIDES]
        stopped |= any(half.stopped for half in halves)
        accesses_found.append(_from_both(prepared, at, halves))
    try:
        behind = midline(prepared, at)
        accesses_found.append(AccessResult(MIDLINE, (), SIDES_NAMED_FROM, behind, np.array([behind.bone_mm3]), None))
    except AnatomyNotFound:
        pass  # no lamina edges in view: there is no reference, as far as in view
    enough = at.rules.value("freed_enough_frac")
    return AccessComparison(prepared.level.name, question.breadth, enough, tuple(accesses_found), stopped)


def _one_sided(side: Side, found: SearchResult) -> AccessResult:
    best = found.best
    chances = AccessChances(best.chance.freed, best.chance.kept, best.chance.both)
    return AccessResult(
        side, (best.approach,), side, best.numbers, best.chance.bone_mm3, chances, best.chance.bone95_mm3
    )


def _half(
    prepared: PreparedLevel, at: ResectionLevel, question: SearchTask, side: Side, progress: Progress
) -> SearchResult:
    """The best plan to free one side's own half from that side."""
    own = with_set(at, at.wanted.half(side))
    mine = replace(question, sides=(side,), budget=max(round(HALF_SHARE * question.budget), 1), best_only=True)
    return search(prepared, mine, progress, own)


def _from_both(prepared: PreparedLevel, at: ResectionLevel, halves: list[SearchResult]) -> AccessResult:
    best = [half.best for half in halves]
    resections = [resection_of(pick.candidate.branch.at, pick.approach) for pick in best]
    numbers = both_sides(prepared, at, resections)
    # the second side is entered anew, by errors of its own
    freed, success = (float(np.prod([getattr(pick.chance, name) for pick in best])) for name in ("freed", "both"))
    kept = [pick.chance.kept for pick in best]
    known = None if None in kept else float(np.prod([share for share in kept if share is not None]))
    apart = sum(pick.numbers.bone_mm3 for pick in best)
    bone = sum(pick.chance.bone_mm3 for pick in best) * numbers.bone_mm3 / max(apart, 1e-9)
    chances = AccessChances(freed, known, success)
    return AccessResult(
        BOTH, tuple(pick.approach for pick in best), SIDES_NAMED_FROM, numbers, np.asarray(bone), chances
    )
