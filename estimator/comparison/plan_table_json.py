"""Plans held against each other as JSON data, and in a sentence each how they differ from the first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from canalwise.estimator.comparison.plan_rows import PlanRow, PlanTableTask
from canalwise.estimator.comparison.quantities import QUANTITIES
from canalwise.estimator.interval import Ends
from canalwise.estimator.ties import is_tie
from canalwise.recon.disclaimer import CAUTION

SCHEMA = "canalwise.pinned/1"

IN_WORDS = {"mm": "mm", "mm2": "mm\u00b2", "mm3": "mm\u00b3", "fraction": "%"}

DIGITS = {"mm": 1, "mm2": 0, "mm3": 0, "fraction": 0}


def plan_table_as_json(level: str, pinning: PlanTableTask, rows: Sequence[PlanRow]) -> dict[str, Any]:
    """All rows, each with its differences from the first; shares are 0 to 1."""
    return {
        "schema": SCHEMA,
        "level": level,
        "task": list(pinning.task),
        "seed": pinning.seed,
        "quantities": [{"name": name} | asdict(quantity) for name, quantity in QUANTITIES.items()],
        "rows": [_row(row, None if number == 0 else rows[0]) for number, row in enumerate(rows)],
        "caution": CAUTION,
    }


def _row(row: PlanRow, first: PlanRow | None) -> dict[str, Any]:
    return {
        "name": row.name,
        "plans": [asdict(plan) for plan in row.plans],
        "numbers": {name: _number(row, name) for name in QUANTITIES},
        "differences": None if first is None else {name: _difference(row, first, name) for name in QUANTITIES},
        "words": "" if first is None else words_of(row, first),
    }


def _number(row: PlanRow, name: str) -> dict[str, Any] | None:
    return {"value": row.values[name], "interval95": _listed(row.ends.get(name))} if name in row.values else None


def _listed(ends: Ends) -> list[float] | None:
    return None if ends is None else list(ends)


def _difference(row: PlanRow, first: PlanRow, name: str) -> dict[str, Any] | None:
    reported = row.difference(first, name)
    if reported is None:
        return None
    value, ends = reported
    return {"value": value, "interval95": list(ends), "tie": is_tie(value, ends, QUANTITIES[name].least_difference)}


def words_of(row: PlanRow, first: PlanRow) -> str:
    """What a row has more and less of than the first, ties left out."""
    reported = []
    for name, quantity in QUANTITIES.items():
        found = row.difference(first, name)
        if found is not None and not is_tie(*found, quantity.least_difference):
            reported.append(f"{quantity.words} {more_words(*found, quantity.unit)}")
    if not reported:
        return "No difference from the first that execution errors and uncertain borders could not turn round."
    return f"Against the first: {'; '.join(reported)}."


def more_words(value: float, ends: tuple[float, float], unit: str) -> str:
    """A difference with its interval, the sign in words.

    >>> more_words(-0.12, (-0.2, -0.05), "fraction")
    '12 % less (95 %: 5 to 20)'
    """
    scale, digits = (100.0 if unit == "fraction" else 1.0), DIGITS[unit]
    low, high = sorted(scale * end * (1 if value >= 0 else -1) for end in ends)
    direction = "more" if value >= 0 else "less"
    between = f"(95 %: {low:.{digits}f} to {high:.{digits}f})"
    return f"{abs(scale * value):.{digits}f} {IN_WORDS[unit]} {direction} {between}"
