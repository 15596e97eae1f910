"""A search result as plain JSON data, and its reason in sentences built from the numbers: failure first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.approach.search_bounds import BOUNDS, ENTRY_LATERAL_MM, INSTRUMENTS
from canalwise.estimator.outcome.numbers_json import known, numbers_as_json
from canalwise.estimator.outcome.outcome_values import freed_percent
from canalwise.estimator.outcome.plan_values import PlanNumbers
from canalwise.estimator.search.search_values import Candidate, Pick, PlanChance, SearchResult
from canalwise.estimator.ties import SAME_MM3
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.labels import Side

SCHEMA = "canalwise.search/2"


def search_as_json(found: SearchResult) -> dict[str, Any]:
    """All of it; the numbers of picks and of `pareto` are those of exact estimates."""
    question = found.question
    return {
        "schema": SCHEMA,
        "level": found.level,
        "breadth": question.breadth,
        "enough_frac": found.enough_frac,
        "freed": found.best.numbers.verdict.freed,
        "budget": question.budget,
        "evaluated": found.evaluated,
        "exact": found.exact,
        "stopped": found.stopped,
        "seed": question.seed,
        "reason": reason(found),
        "best": _pick(found.best),
        "robust": _pick(found.robust),
        "runner_up": None if found.runner_up is None else _pick(found.runner_up),
        "runner_up_costs": None if found.runner_up is None else _difference(found.runner_up, found.best),
        "pareto": [_candidate(candidate) for candidate in found.pareto],
        "bounds": {name: asdict(bound) for name, bound in (*BOUNDS.items(), ("entry_lateral_mm", ENTRY_LATERAL_MM))},
        "instruments": {name: asdict(INSTRUMENTS[name]) for name in question.instruments if name in INSTRUMENTS},
        "caution": CAUTION,
    }


def _pick(pick: Pick) -> dict[str, Any]:
    numbers, side = pick.numbers, pick.approach.side
    return numbers_as_json(numbers, side) | {
        "instrument": pick.candidate.instrument,
        "approach": asdict(pick.approach),
        "at_bounds": list(pick.candidate.at_bounds),
        "skin_entry": asdict(pick.skin_entry),
        "bone_removed_mm3": {"resection": {"total": numbers.bone_mm3, "interval95": list(pick.chance.bone95_mm3)}},
        "facet_area_frac": _by_relation(numbers.facet_area_frac, side),
        "facet_width_frac": _by_relation(numbers.facet_width_frac, side),
        "reach_mm": known(numbers.reach_mm),
        "freed_frac": numbers.least_freed_frac,
        "as_executed": chance_as_json(pick.chance),
    }


def chance_as_json(chance: PlanChance) -> dict[str, Any]:
    """Chances of freed, kept and both, as shares of so many simulated executions."""
    return {"freed": chance.freed, "kept": chance.kept, "both": chance.both, "executions": chance.executions}


def _candidate(candidate: Candidate) -> dict[str, Any]:
    numbers = candidate.numbers
    return {
        "instrument": candidate.instrument,
        "approach": asdict(candidate.approach),
        "bone_removed_mm3": numbers.bone_mm3,
        "freed_frac": numbers.least_freed_frac,
        "least_facet_kept_frac": numbers.least_facet_frac if _joints_seen(numbers) else None,
        "freed": numbers.verdict.freed,
        "kept": numbers.verdict.kept,
    }


def _joints_seen(numbers: PlanNumbers) -> bool:
    """Is what stays of any joint known? An MR of thick slices shows none."""
    return any(not np.isnan(share) for share in numbers.facet_area_frac.values())


def _difference(other: Pick, best: Pick) -> dict[str, float]:
    """What the other plan takes more of, and frees more of."""
    return {
        "bone_removed_mm3": other.numbers.bone_mm3 - best.numbers.bone_mm3,
        "freed_frac": other.numbers.least_freed_frac - best.numbers.least_freed_frac,
        "as_executed": other.chance.both - best.chance.both,
    }


def _by_relation(of_side: Mapping[Side, float], side: Side) -> dict[str, float | None]:
    sides = {"ipsilateral": side, "contralateral": other_side(side)}
    return {relation: known(of_side.get(s, float("nan"))) for relation, s in sides.items()}


def reason(found: SearchResult) -> str:
    """Why the best is the best, against the runner-up and the robust pick; where it is not good, that first."""
    best = found.best
    if np.isnan(best.numbers.freed_frac):
        return "Nothing presses on the room needed: no bone has to go."
    freed = freed_percent(best.numbers.least_freed_frac, found.enough_frac)
    said = f"{_plan_words(best)} frees {freed} on the side freed less and takes "
    said += f"{best.numbers.bone_mm3:.0f} mm3"
    parts = [said, *_than_runner_up(found), _as_executed(found)]
    return _failure(found) + "; ".join(parts) + "."


def _failure(found: SearchResult) -> str:
    """What is wrong with the best, in a sentence of its own; nothing where it is freed and kept."""
    numbers, requested = found.best.numbers, freed_percent(found.enough_frac, found.enough_frac)
    if numbers.good:
        return ""
    none = f"NOT FREED: no plan found frees {requested} of what presses on each side within the limits"
    if numbers.verdict.freed:
        return f"{none}. {numbers.verdict.sentence}. "
    if numbers.verdict.kept:
        return f"{none}; shown is the one that frees most within them. {numbers.verdict.sentence}. "
    return f"{none}, and none keeps the limits; shown is the one that breaks fewest. {numbers.verdict.sentence}. "


def _plan_words(pick: Pick) -> str:
    plan, channel = pick.approach, pick.approach.channel
    across = plan.docking_point_mm[0] * (1 if plan.side == "left" else -1)
    return (
        f"From the {plan.side} with a sleeve of {channel.sleeve_diameter_mm:g} mm and a tool of "
        f"{channel.tool_diameter_mm:g} mm, entered {pick.skin_entry.lateral_mm:.0f} mm and docked {across:.0f} mm from "
        f"the midline, the plan"
    )


def _than_runner_up(found: SearchResult) -> list[str]:
    other = found.runner_up
    if other is None:
        return []
    which = f"the next best plan, from the {other.approach.side},"
    if found.best.numbers.good and not other.numbers.good:
        return [f"{which} is not good: {other.numbers.verdict.sentence[0].lower()}{other.numbers.verdict.sentence[1:]}"]
    more = other.numbers.bone_mm3 - found.best.numbers.bone_mm3
    freed = f"frees {freed_percent(other.numbers.least_freed_frac, found.enough_frac)} and "
    if abs(more) < SAME_MM3:
        return [f"{which} {freed}takes as much within {SAME_MM3:.0f} mm3"]
    return [f"{which} {freed}takes {abs(more):.0f} mm3 {'more' if more > 0 else 'less'}"]


def _as_executed(found: SearchResult) -> str:
    best, robust = found.best, found.robust
    said = f"as executed it frees enough within limits in {100 * best.chance.both:.0f} % of trials"
    if robust.chance.both <= best.chance.both:
        return f"{said}, as many as any tried"
    return f"{said}, the likeliest plan in {100 * robust.chance.both:.0f} % for {robust.numbers.bone_mm3:.0f} mm3"
