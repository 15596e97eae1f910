"""A plan made blind, held against the limits and against a good plan."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from canalwise.estimator.batch.outcomes_by_relation import ENOUGH_FRAC, wanted_of_task
from canalwise.estimator.estimate.blocked_targets import IN_WORDS, blocking_structures
from canalwise.estimator.estimate.estimate import Estimate, estimate_of
from canalwise.estimator.estimate.limit_checks import Verdict, verdicts_of
from canalwise.estimator.limit_rules import rule_of
from canalwise.estimator.search.best_approach import search
from canalwise.estimator.search.strategies import SearchTask
from canalwise.estimator.ties import SAME_MM3
from canalwise.workbench.style.phrases import MINUS, amount, joined, number, percent
from canalwise.workbench.teaching.placeholders import PlanFacts, facet_kept_frac, touched_frac

BUDGET = 6_000
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
    verdicts = verdicts_of(yours)
    missed = (*_broken(verdicts), *_not_reached(yours))
    rows = tuple(_rows(yours, good))
    reported = tuple((verdict.name, _verdict_words(verdict), verdict.met) for verdict in verdicts)
    return Assessment(reported, missed, rows, _in_a_sentence(yours, good, len(missed)))


def best_of(estimates: dict[str, Estimate]) -> str | None:
    """Name of the best of some plans; None of none."""
    return min(estimates, key=lambda name: _order(estimates[name]), default=None)


def is_good(plan: Estimate, yours: Estimate) -> bool:
    """Is a plan worth being shown beside another: does it miss nothing, or is it the better one?"""
    return not things_missed(plan) or _order(plan) < _order(yours)


def _order(estimate: Estimate) -> tuple[int, float, float]:
    """Better plans come first: fewer limits broken, then more of what is wanted reached, then less bone."""
    short = sum(ENOUGH_FRAC - frac for frac in _short(estimate).values())
    return len([*_broken(verdicts_of(estimate))]), round(short, 2), estimate.task.removal.total_mm3


def things_missed(estimate: Estimate) -> int:
    """Limits broken and wanted targets not reached."""
    return len([*_broken(verdicts_of(estimate)), *_short(estimate)])


def found_plan(yours: Estimate, progress: Callable[[int], None]) -> Estimate:
    """A good plan from the same side with the same instrument, found by a short search.

    `progress` is told how many approaches have just been looked at; raises AnatomyNotFound where nothing can be found.
    """
    approach = yours.approach
    question = SearchTask(
        sides=(approach.side,),
        instruments={"as planned": approach.channel},
        task=wanted_of_task(tuple(yours.task_targets_ras_mm)).names,
        budget=BUDGET,
    )
    best = search(yours.prepared, question, progress).best.approach
    # for the same task as the other plan's, or their bone could not be compared
    return estimate_of(yours.prepared, best, tuple(yours.task_targets_ras_mm))


def _broken(verdicts: tuple[Verdict, ...]) -> Iterator[str]:
    for verdict in verdicts:
        if verdict.met is False:
            yield f"A limit is broken: {verdict.name}, {_verdict_words(verdict)}."


def _verdict_words(verdict: Verdict) -> str:
    bound = rule_of(verdict.name).direction
    reported = f"{amount(verdict.value, verdict.unit)} ({bound} {amount(verdict.limit, verdict.unit)})"
    untouched = verdict.met and bound == "at least" and verdict.value < verdict.limit
    return f"{reported}; thin before, nothing is taken from it" if untouched else reported


def _not_reached(estimate: Estimate) -> Iterator[str]:
    for name, touched in _short(estimate).items():
        cause = IN_WORDS[blocking_structures(estimate.prepared, estimate.approach, name)]
        yield (
            f"Too little of the {name} is touched: {percent(touched)}, {percent(ENOUGH_FRAC)} would be enough; "
            f"most of the rest lies {cause}."
        )


def _short(estimate: Estimate) -> dict[str, float]:
    """Wanted sets in view of which too little is touched -> the share that is."""
    wanted = wanted_of_task(tuple(estimate.task_targets_ras_mm)).names
    touched = {name: touched_frac(PlanFacts(estimate), name) for name in wanted}
    return {name: frac for name, frac in touched.items() if frac < ENOUGH_FRAC}


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
    facts, reach = PlanFacts(estimate), PlanFacts(estimate).reach()
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
    return amount(value, unit, 0 if unit == "mm3" else 1)


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
    if missed:
        sentence = f"{missed} {'thing is' if missed == 1 else 'things are'} missed."
    else:
        sentence = f"Every limit that could be measured is kept, and enough of {joined(wanted)} is touched."
    if good is None:
        return f"{sentence} No better plan was found to hold it against."
    return f"{sentence} {_against(yours, good, missed)}"


def _against(yours: Estimate, good: Estimate, missed: int) -> str:
    other = things_missed(good)
    more = yours.task.removal.total_mm3 - good.task.removal.total_mm3
    if other != missed:
        return f"The plan beside it misses {other or 'nothing'}."
    if missed:
        return "The plan beside it misses as many things, but comes nearer."
    if abs(more) <= SAME_MM3:
        return "It takes about as much bone for its task as the plan beside it."
    reported = f"{amount(abs(more), 'mm3', 0)} {'more' if more > 0 else 'less'}"
    return f"It takes {reported} for its task than the plan beside it."
