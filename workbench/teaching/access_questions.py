"""Questions that compare accesses: which side, and whether one side is enough; a short search answers."""

from __future__ import annotations

from functools import lru_cache
from random import Random
from typing import Any

from canalwise.estimator.comparison.accesses import compared_accesses
from canalwise.estimator.comparison.accesses_json import comparison_as_json
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.search.search_task import SearchTask
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.labels import SIDES
from canalwise.workbench.style.phrases import amount
from canalwise.workbench.teaching.lesson_question import LessonQuestion, UnanswerableQuestion
from canalwise.workbench.teaching.placeholders import PlanFacts, decompressed_by

BUDGET = 120
"""Approaches looked at for all accesses together, some ten seconds on a laptop (choice)."""

APART_FRAC = 0.1
"""Two sides that need bone within this share of each other hardly differ (choice)."""

EITHER, NEITHER = "either: hardly a difference", "neither frees enough within the limits"
ONE, BOTH, NONE = "one side is enough", "both sides are needed", "no access frees enough within the limits"

AccessRow = dict[str, Any]


def better_side(facts: PlanFacts, of: str, draw: Random) -> LessonQuestion | UnanswerableQuestion:
    """From which side the level is freed within the limits for less bone."""
    del of, draw
    if decompressed_by(facts.estimate) is None:
        return UnanswerableQuestion("What presses is not known here, so no side can be called the better one.")
    choices = (*(f"from the {side}" for side in SIDES), EITHER, NEITHER)
    words = f"From which side is {facts.level.name} freed within every limit for less bone?"
    return LessonQuestion(words, choices, lambda: _side_answer(_rows(facts.estimate.prepared)))


def enough_access(facts: PlanFacts, of: str, draw: Random) -> LessonQuestion | UnanswerableQuestion:
    """Whether one side is enough to free both, within the limits."""
    del of, draw
    if decompressed_by(facts.estimate) is None:
        return UnanswerableQuestion("What presses is not known here, so it cannot be said what is enough.")
    words = f"Is one side enough to free both sides of {facts.level.name} within every limit?"
    return LessonQuestion(words, (ONE, BOTH, NONE), lambda: _access_answer(_rows(facts.estimate.prepared)))


@lru_cache(2)
def _rows(prepared: PreparedLevel) -> dict[str, AccessRow]:
    """Name of an access -> its row of the comparison; empty where no side can be docked on."""
    try:
        compared = comparison_as_json(compared_accesses(prepared, SearchTask(budget=BUDGET)))
    except AnatomyNotFound:
        return {}
    return {row["name"]: row for row in compared["rows"]}


def _side_answer(rows: dict[str, AccessRow]) -> tuple[str, str]:
    """The right choice, and why.

    >>> good = {"verdict": {"freed": True, "kept": True, "sentence": "Frees all"}}
    >>> _side_answer({"left": good | {"bone_removed_mm3": 300.0}, "right": good | {"bone_removed_mm3": 200.0}})[0]
    'from the right'
    """
    sides: dict[str, AccessRow] = {side: rows[side] for side in SIDES if side in rows}
    good = {side: row["bone_removed_mm3"] for side, row in sides.items() if _is_good(row)}
    why = f"{_words(sides)} A short search of each side looked at {BUDGET} approaches in all."
    if not good:
        return NEITHER, why
    least = min(good, key=lambda side: good[side])
    if len(good) > 1 and max(good.values()) <= (1 + APART_FRAC) * good[least]:
        return EITHER, why
    return f"from the {least}", why


def _access_answer(rows: dict[str, AccessRow]) -> tuple[str, str]:
    """The right choice, and why.

    >>> bad = {"verdict": {"freed": False, "kept": True, "sentence": "Frees half"}, "bone_removed_mm3": 200.0}
    >>> good = {"verdict": {"freed": True, "kept": True, "sentence": "Frees all"}, "bone_removed_mm3": 400.0}
    >>> _access_answer({"left": bad, "right": bad, "both sides": good})[0]
    'both sides are needed'
    """
    shown = {name: row for name, row in rows.items() if name in (*SIDES, "both sides")}
    good = {name for name, row in shown.items() if _is_good(row)}
    right = ONE if good & set(SIDES) else BOTH if good else NONE
    return right, _words(shown)


def _is_good(row: AccessRow) -> bool:
    return bool(row["verdict"]["freed"] and row["verdict"]["kept"])


def _words(rows: dict[str, AccessRow]) -> str:
    reported = (
        f"{name}: {row['verdict']['sentence'].rstrip('.')}, {amount(row['bone_removed_mm3'], 'mm3', 0)} of bone"
        for name, row in rows.items()
    )
    return f"Best plans found, {'; '.join(reported)}."
