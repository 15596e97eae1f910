"""A plan made blind, judged by what it frees and what it keeps, and held against a good plan.

Where it cannot be said what is to be freed, the targets touched and the limits of the whole sweep take its place.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.batch.outcomes_by_relation import ENOUGH_FRAC, wanted_of_task
from canalwise.estimator.estimate.blocked_targets import IN_WORDS, blocking_structures
from canalwise.estimator.estimate.estimate import Estimate, estimate_of
from canalwise.estimator.estimate.limit_checks import Verdict, verdicts_of
from canalwise.estimator.limit_rules import rule_of
from canalwise.estimator.outcome.decompressed import DecompressedLevel
from canalwise.estimator.outcome.outcome_values import LimitCheck
from canalwise.estimator.search.best_approach import search
from canalwise.estimator.search.search_task import SearchTask
from canalwise.estimator.ties import SAME_MM3
from canalwise.workbench.style.phrases import MINUS, amount, joined, number, percent
from canalwise.workbench.teaching.placeholders import PlanFacts, decompressed_by, facet_kept_frac, touched_frac

BUDGET = 150
"""Approaches that are looked at to find a good plan, some two seconds on a laptop (choice)."""


@dataclass(frozen=True)
class AssessmentRow:
    """One number of both plans, in words."""

    name: str
    yours: str
    good: str
    difference: str


@dataclass(frozen=True)
class Assessment:
    """Assessment of a plan: verdicts, what was missed, and its numbers beside a good plan's.

    Parameters
    ----------
    verdicts : each limit with its number in words, and whether it is kept; None where it was not measured
    missed : sentences on limits broken and targets not reached
    numbers : beside those of a good plan; its column is empty where there is none
    """

    verdicts: tuple[tuple[str, str, bool | None], ...]
    missed: tuple[str, ...]
    numbers: tuple[AssessmentRow, ...]
    words: str


def assessment_of(yours: Estimate, good: Estimate | None = None) -> Assessment:
    """The judgement on a plan."""
    missed = (*_not_freed(yours), *_broken(yours))
    rows = tuple(_rows(yours, good))
    return Assessment(tuple(_verdicts(yours)), missed, rows, _in_a_sentence(yours, good, len(missed)))


def best_of(estimates: dict[str, Estimate]) -> str | None:
    """Name of the best of some plans; None of none."""
    return min(estimates, key=lambda name: _order(estimates[name]), default=None)


def is_good(plan: Estimate, yours: Estimate) -> bool:
    """Is a plan worth being shown beside another: does it free enough, and miss nothing or is it the better one?"""
    return not _short(plan) and (not things_missed(plan) or _order(plan) < _order(yours))


def _order(estimate: Estimate) -> tuple[float, int, float]:
    """Better plans come first: what is wanted freed, then fewer limits broken, then less bone."""
    short = sum(_short(estimate).values())
    return round(short, 2), len([*_broken(estimate)]), _bone_mm3(estimate)


def _bone_mm3(estimate: Estimate) -> float:
    found = decompressed_by(estimate)
    return estimate.task.removal.total_mm3 if found is None else found.cost.total_mm3


def things_missed(estimate: Estimate) -> int:
    """Sides freed too little, or wanted targets not reached, and limits broken."""
    return len([*_broken(estimate), *_short(estimate)])


def found_plan(yours: Estimate, progress: Callable[[int], None]) -> Estimate:
    """A good plan from the same side with the same instrument, found by a short search.

    `progress` is called with the number just looked at; raises AnatomyNotFound where nothing can be found.
    """
    approach = yours.approach
    question = SearchTask(
        sides=(approach.side,),
        instruments={"as planned": approach.channel},
        budget=BUDGET,
    )
    best = search(yours.prepared, question, progress).best.approach
    # for the same task as the other plan's, or their bone could not be compared
    return estimate_of(yours.prepared, best, tuple(yours.task_targets_ras_mm))


def _verdicts(estimate: Estimate) -> Iterator[tuple[str, str, bool | None]]:
    """(what is held against what, its number and bound in words, whether it is kept)."""
    found = decompressed_by(estimate)
    if found is None:
        yield from ((verdict.name, _verdict_words(verdict), verdict.met) for verdict in verdicts_of(estimate))
        return
    enough = _enough(found)
    for relation, share in _freed(found).items():
        met = None if share != share else share >= enough
        yield f"freed on the {relation} side", f"{_freed_words(share)} (at least {percent(enough)})", met
    yield from ((check.name, _check_words(check), check.met) for check in found.checks)


def _broken(estimate: Estimate) -> Iterator[str]:
    """A sentence for each limit broken."""
    found = decompressed_by(estimate)
    if found is None:
        broken = [(v.name, _verdict_words(v)) for v in verdicts_of(estimate) if v.met is False]
    else:
        broken = [(check.name, _check_words(check)) for check in found.checks if check.met is False]
    yield from (f"A limit is broken: {name}, {words}." for name, words in broken)


def _check_words(check: LimitCheck) -> str:
    bound = f"({check.rule.direction} {amount(check.limit.value, check.limit.unit)})"
    untouched = check.untouched and check.value < check.limit.value
    return f"{amount(check.value, check.limit.unit)} {bound}" + ("; thin before, nothing is taken from it" * untouched)


def _verdict_words(verdict: Verdict) -> str:
    bound = rule_of(verdict.name).direction
    reported = f"{amount(verdict.value, verdict.unit)} ({bound} {amount(verdict.limit, verdict.unit)})"
    untouched = verdict.met and bound == "at least" and verdict.value < verdict.limit
    return f"{reported}; thin before, nothing is taken from it" if untouched else reported


def _enough(found: DecompressedLevel) -> float:
    return found.resection.at.rules.value("freed_enough_frac")


def _freed(found: DecompressedLevel) -> dict[str, float]:
    """'ipsilateral' and 'contralateral' -> share freed."""
    side = found.resection.approach.side
    return {"ipsilateral": found.freed.by_side[side], "contralateral": found.freed.by_side[other_side(side)]}


def _freed_words(share: float) -> str:
    """Whole percent, rounded down: what is short of enough never reads as enough."""
    return "nothing presses" if share != share else f"{int(100 * share + 1e-9)} %"


def _not_freed(estimate: Estimate) -> Iterator[str]:
    """A sentence for each side that is freed too little, or for each wanted target that is not reached."""
    found = decompressed_by(estimate)
    if found is None:
        yield from _not_reached(estimate)
        return
    for relation in _short(estimate):
        stops = f"; what stops the next of it: {found.reach.limited_by}" if relation == "contralateral" else ""
        words = _freed_words(_freed(found)[relation])
        yield f"Too little is freed on the {relation} side: {words}, {percent(_enough(found))} would be enough{stops}."


def _not_reached(estimate: Estimate) -> Iterator[str]:
    for name, short in _short(estimate).items():
        cause = IN_WORDS[blocking_structures(estimate.prepared, estimate.approach, name)]
        yield (
            f"Too little of the {name} is touched: {percent(ENOUGH_FRAC - short)}, {percent(ENOUGH_FRAC)} would be "
            f"enough; most of the rest lies {cause}."
        )


def _short(estimate: Estimate) -> dict[str, float]:
    """Side freed too little, or wanted set in view of which too little is touched -> by how much."""
    found = decompressed_by(estimate)
    if found is not None:
        enough = _enough(found)
        return {relation: enough - share for relation, share in _freed(found).items() if share < enough}
    wanted = wanted_of_task(tuple(estimate.task_targets_ras_mm)).names
    touched = {name: touched_frac(PlanFacts(estimate), name) for name in wanted}
    return {name: ENOUGH_FRAC - frac for name, frac in touched.items() if frac < ENOUGH_FRAC}


def _rows(yours: Estimate, good: Estimate | None) -> Iterator[AssessmentRow]:
    theirs = {} if good is None else _numbers(good)
    for name, (value, unit) in _numbers(yours).items():
        if name not in theirs:
            yield AssessmentRow(name, _reported(value, unit), "", "")
        else:
            other = theirs[name][0]
            yield AssessmentRow(name, _reported(value, unit), _reported(other, unit), _difference(value, other, unit))


def _numbers(estimate: Estimate) -> dict[str, tuple[float, str]]:
    """Name -> (value, unit) of what a plan is compared by."""
    facts, found = PlanFacts(estimate), decompressed_by(estimate)
    reach = facts.reach()
    if found is not None:
        side = found.resection.approach.side
        kept = {s: f.area_frac for s, f in found.cost.facets.items()}
        shares = _freed(found)
        return {
            "freed on the ipsilateral side": (shares["ipsilateral"], "fraction"),
            "freed on the contralateral side": (shares["contralateral"], "fraction"),
            "narrowest canal after": (float(found.freed.areas.after_mm2.min()), "mm2"),
            "bone to free it": (found.cost.total_mm3, "mm3"),
            "bone swept in all": (estimate.cone.removal.total_mm3, "mm3"),
            "ipsilateral facet kept": (kept.get(side, float("nan")), "fraction"),
            "contralateral facet kept": (kept.get(other_side(side), float("nan")), "fraction"),
            "spinous bridge remaining": (found.cost.base.bridge_mm, "mm"),
            "tissue taken past the midline": (found.reach.lateral_mm, "mm"),
        }
    return {
        "bone for the task": (estimate.task.removal.total_mm3, "mm3"),
        "bone swept in all": (estimate.cone.removal.total_mm3, "mm3"),
        "ipsilateral facet kept": (facet_kept_frac(facts, "ipsilateral"), "fraction"),
        "contralateral facet kept": (facet_kept_frac(facts, "contralateral"), "fraction"),
        "spinous bridge remaining": (estimate.cone.spinous_base.bridge_mm, "mm"),
        "ipsilateral recess touched": (touched_frac(facts, "ipsilateral recess"), "fraction"),
        "contralateral recess touched": (touched_frac(facts, "contralateral recess"), "fraction"),
        "reach past the midline": (float("nan") if reach is None else reach.lateral_mm, "mm"),
    }


def _reported(value: float, unit: str) -> str:
    return amount(value, unit, 0 if unit in ("mm2", "mm3") else 1)


def _difference(value: float, other: float, unit: str) -> str:
    """How much more, or with a minus less, yours is.

    >>> _difference(120.0, 100.0, "mm3"), _difference(0.5, 0.75, "fraction"), _difference(1.0, float("nan"), "mm")
    ('+20 mm\u00b3', '\u221225 points', '')
    """
    if value != value or other != other:
        return ""
    by = value - other
    reported = f"{number(100 * abs(by), 0)} points" if unit == "fraction" else _reported(abs(by), unit)
    return f"{'+' if by >= 0 else MINUS}{reported}"


def _in_a_sentence(yours: Estimate, good: Estimate | None, missed: int) -> str:
    wanted = [f"the {name}" for name in wanted_of_task(tuple(yours.task_targets_ras_mm)).names]
    found = decompressed_by(yours)
    if found is not None:
        sentence = f"{found.verdict.sentence}."
    elif missed:
        sentence = f"{missed} {'thing is' if missed == 1 else 'things are'} missed."
    else:
        sentence = f"Every limit that could be measured is kept, and enough of {joined(wanted)} is touched."
    if good is None:
        return f"{sentence} No better plan that frees enough was found from this side to hold it against."
    return f"{sentence} {_against(yours, good, missed)}"


def _against(yours: Estimate, good: Estimate, missed: int) -> str:
    other = things_missed(good)
    more = _bone_mm3(yours) - _bone_mm3(good)
    if other != missed:
        return f"The plan beside it misses {other or 'nothing'}."
    if missed:
        return "The plan beside it misses as many things, but comes nearer."
    if abs(more) <= SAME_MM3:
        return "It takes about as much bone as the plan beside it."
    reported = f"{amount(abs(more), 'mm3', 0)} {'more' if more > 0 else 'less'}"
    return f"It takes {reported} than the plan beside it."
