"""Questions of a lesson, answered from the geometry of the case: each with its choices, the right one, and why."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from random import Random

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.estimate.first_limit import WIDEST_DEG
from canalwise.estimator.estimate.limit_checks import verdicts_of
from canalwise.estimator.limit_rules import RELATIONS
from canalwise.estimator.planning.clock_positions import FAR_SIGHTS, MIDDLE, NEAR_SIGHTS
from canalwise.estimator.removal.structure_names import OTHER
from canalwise.recon.grid import Float
from canalwise.workbench.style.phrases import amount, clock_words, percent
from canalwise.workbench.teaching.access_questions import better_side, enough_access
from canalwise.workbench.teaching.lesson_question import LessonQuestion, UnanswerableQuestion
from canalwise.workbench.teaching.placeholders import CAUSES, STRUCTURES, PlanFacts, facet_kept_frac

CHOICES = 4
"""Answers to choose from, the right one among them, where the case offers as many."""

NONE_BREAKS = "none of them"

APART_HOURS = 1.5
"""A wrong answer about the clock lies at least this far round from the right one (choice)."""

APART_FRAC = 0.2
"""A wrong number differs from the right one, and from the other wrong ones, by at least this share (choice)."""

LEAST_MM3 = 5.0
"""No question is put about less bone than this: a burr's touch."""

PADDING = (0.5, 1.4, 0.7, 1.8, 0.3, 2.4)
"""Multiples of the right number, for when the case offers too few wrong ones."""


DIGITS = {"mm": 1, "mm3": 0}
"""After the point, of the numbers to choose from."""

FACET_BANDS = {"less than 50 %": 50, "50 to 74 %": 75, "75 to 89 %": 90, "90 % or more": 101}
"""What may stay of a joint -> whole percent that this ends before. Single shares would not do: most plans keep nearly
all, and no wrong share above it could be offered."""


def _known(words: str, choices: tuple[str, ...], correct: str, because: str) -> LessonQuestion:
    return LessonQuestion(words, choices, lambda: (correct, because))


@dataclass(frozen=True)
class QuestionKind:
    """One kind of question.

    Parameters
    ----------
    subjects : what it may be about; empty where it stands alone
    ask : the question about a subject; its choices in an order that depends on the draw alone
    answered_by : of a subject, the facts that would give the answer away
    """

    subjects: tuple[str, ...]
    ask: Callable[[PlanFacts, str, Random], LessonQuestion | UnanswerableQuestion]
    answered_by: Callable[[str], tuple[str, ...]]


def question_of(facts: PlanFacts, kind: str, of: str, seed: int) -> LessonQuestion | UnanswerableQuestion:
    """The question of a kind (of KINDS) about one of its subjects; the same seed gives the same choices."""
    return KINDS[kind].ask(facts, of, Random(seed))


def _near(facts: PlanFacts, of: str, draw: Random) -> LessonQuestion | UnanswerableQuestion:
    where = "about the window's centre, along the first phase"
    return _at_clock(facts.near_hours, of, where, draw)


def _far(facts: PlanFacts, of: str, draw: Random) -> LessonQuestion | UnanswerableQuestion:
    return _at_clock(facts.far_hours, of, "down the channel over the top", draw)


def _at_clock(hours: Mapping[str, float], of: str, where: str, draw: Random) -> LessonQuestion | UnanswerableQuestion:
    if of not in hours:
        return UnanswerableQuestion(f"The {of} is not in view here.")
    at = clock_words(hours[of])
    others = [name for name, hour in hours.items() if _hours_apart(hour, hours[of]) >= APART_HOURS]
    if not others:
        return UnanswerableQuestion(f"Nothing in view lies far enough from the {of} to be distinguished by the clock.")
    choices = _mixed(of, others, draw)
    seen = "; ".join(f"{name} at {clock_words(hours[name])}" for name in choices)
    because = f"Seen {where}, with 12 o'clock across the patient, away from the surgeon: {seen}."
    return _known(f"Looking {where}: what lies at {at}?", choices, of, because)


def _hours_apart(a: float, b: float) -> float:
    """Round the clock, 0 to 6; what is in the middle is far from every hour.

    >>> _hours_apart(11.5, 1.0), _hours_apart(MIDDLE, 3.0), _hours_apart(MIDDLE, MIDDLE)
    (1.5, 6.0, 0.0)
    """
    if MIDDLE in (a, b):
        return 0.0 if a == b else 6.0
    return min((a - b) % 12, (b - a) % 12)


def _mixed(right: str, wrong: Sequence[str], draw: Random) -> tuple[str, ...]:
    """The right answer among at most CHOICES, in a drawn order."""
    chosen = [right, *draw.sample(list(wrong), min(CHOICES - 1, len(wrong)))]
    draw.shuffle(chosen)
    return tuple(chosen)


def _first_limit(facts: PlanFacts, of: str, draw: Random) -> LessonQuestion | UnanswerableQuestion:
    verdicts = [verdict for verdict in verdicts_of(facts.estimate) if verdict.met is not None]
    choices = [verdict.name for verdict in verdicts]
    if any(not verdict.met for verdict in verdicts):
        words = "Which limit does this plan break by most, as a share of the limit?"
    else:
        words = "The channel is swept wider and wider in every phase. Which limit breaks first?"
        choices.append(NONE_BREAKS)
    draw.shuffle(choices)
    # the widened sweeps take a while: only for who has chosen
    return LessonQuestion(words, tuple(choices), lambda: _first_answer(facts))


def _first_answer(facts: PlanFacts) -> tuple[str, str]:
    first = facts.first_limit
    if first is None:
        return NONE_BREAKS, f"Every limit is kept even with {WIDEST_DEG:.0f}\u00b0 more of sweep."
    now = _verdict_words(facts, first.name)
    if first.wider_deg == 0:
        return first.name, f"The plan itself breaks it: {now}."
    return first.name, f"With {first.wider_deg:.1f}\u00b0 more of sweep it breaks. In this plan: {now}."


def _verdict_words(facts: PlanFacts, name: str) -> str:
    verdict = next(verdict for verdict in verdicts_of(facts.estimate) if verdict.name == name)
    return f"{name} {amount(verdict.value, verdict.unit)}, limit {amount(verdict.limit, verdict.unit)}"


def _bone(facts: PlanFacts, of: str, draw: Random) -> LessonQuestion | UnanswerableQuestion:
    right = facts.task_mm3[of]
    if right < LEAST_MM3:
        return UnanswerableQuestion(f"Less than {LEAST_MM3:.0f} mm\u00b3 of the {_bone_name(of)} has to go here.")
    offered = [facts.sweep_mm3[of], *(mm3 for name, mm3 in facts.task_mm3.items() if name != of)]
    choices = _amounts(right, offered, "mm3", draw)
    words = f"How much bone of the {_bone_name(of)} has to go, to free the level?"
    if of == "total":
        words = "How much bone has to go in all, to free the level?"
    swept = amount(facts.sweep_mm3[of], "mm3", 0)
    because = f"Freeing the level takes {amount(right, 'mm3', 0)}; sweeping through the whole cone would take {swept}."
    return _known(words, choices, amount(right, "mm3", 0), because)


def _bone_name(of: str) -> str:
    return {"total": "whole level", OTHER: "rest"}.get(of, of)


def _most_bone(facts: PlanFacts, of: str, draw: Random) -> LessonQuestion | UnanswerableQuestion:
    given = {name: facts.task_mm3[name] for name, mm3 in facts.present_mm3.items() if mm3 > 0 and name != OTHER}
    most = max(given, key=lambda name: given[name])
    if given[most] < LEAST_MM3:
        return UnanswerableQuestion("Hardly any bone has to go here.")
    wrong = [name for name, mm3 in given.items() if mm3 < (1 - APART_FRAC) * given[most]]
    if not wrong:
        return UnanswerableQuestion("Several structures give about as much bone here.")
    choices = _mixed(most, wrong, draw)
    reported = "; ".join(f"{name} {amount(given[name], 'mm3', 0)}" for name in choices)
    return _known("Which structure gives most bone?", choices, most, f"What freeing the level takes: {reported}.")


def _reach(facts: PlanFacts, of: str, draw: Random) -> LessonQuestion | UnanswerableQuestion:
    reach, near = facts.reach(), facts.reach("ipsilateral")
    if reach is None:
        return UnanswerableQuestion("The contralateral side's targets are not in view here.")
    if reach.lateral_mm < 1:
        return UnanswerableQuestion("The tool touches nothing beyond the midline at disc level here.")
    offered = [near.lateral_mm] if near else []
    offered += [float(x.max()) for x in _far_targets_mm(facts) if len(x)]
    choices = _amounts(reach.lateral_mm, offered, "mm", draw)
    words = "How far past the midline does the tool's tip reach at disc level?"
    right = amount(reach.lateral_mm, "mm")
    because = f"It touches the contralateral side out to {right}; what stops it there is {CAUSES[reach.limited_by]}."
    return _known(words, choices, right, because)


def _far_targets_mm(facts: PlanFacts) -> Iterator[Float]:
    """(N,) arrays: how far from the midline the points of each far target set lie."""
    for points in facts.level.targets[other_side(facts.side)].points_ras_mm.values():
        yield np.abs(facts.level.frame.to_level_mm(points)[..., 0])


def _stops(facts: PlanFacts, of: str, draw: Random) -> LessonQuestion | UnanswerableQuestion:
    reach = facts.reach()
    if reach is None:
        return UnanswerableQuestion("The contralateral side's targets are not in view here.")
    right = CAUSES[reach.limited_by]
    choices = _mixed(right, [words for words in CAUSES.values() if words != right], draw)
    because = f"The tool reaches {amount(reach.lateral_mm, 'mm')} past the midline at disc level"
    if reach.next_ras_mm is not None:
        x = float(facts.level.frame.to_level_mm(reach.next_ras_mm)[0])
        toward_far = x if other_side(facts.side) == "left" else -x
        because += f"; the next point to touch lies {amount(toward_far, 'mm')} past it; what stops the tool is {right}"
    return _known("What stops the next millimetre of reach on the contralateral side?", choices, right, f"{because}.")


def _entry(facts: PlanFacts, of: str, draw: Random) -> LessonQuestion | UnanswerableQuestion:
    entry, approach = facts.estimate.skin_entry, facts.estimate.approach
    if entry.lateral_mm < 1:
        return UnanswerableQuestion("The entry lies over the midline here.")
    toward_side = 1.0 if facts.side == "left" else -1.0
    offered = [toward_side * approach.docking_point_mm[0]]
    if (near := facts.reach("ipsilateral")) is not None:
        offered.append(near.lateral_mm)
    choices = _amounts(entry.lateral_mm, offered, "mm", draw)
    at = "skin" if entry.at == "skin" else "pivot (no skin is in view)"
    right = amount(entry.lateral_mm, "mm")
    because = f"Along the first phase the channel meets the {at} {right} {facts.side} of the midline."
    return _known(f"How far lateral of the midline is the entry, at the {at}?", choices, right, because)


def _facet(facts: PlanFacts, of: str, draw: Random) -> LessonQuestion | UnanswerableQuestion:
    kept = {relation: facet_kept_frac(facts, relation) for relation in RELATIONS}
    right = kept[of]
    if right != right:
        return UnanswerableQuestion(f"The {of} facet joint is not in view here.")
    limit = facts.estimate.limits.value("facet_area_kept_frac")
    band = next(words for words, end in FACET_BANDS.items() if round(100 * right) < end)
    words = f"How much of the {of} ({facts.patient_side(of)}) facet joint's surface stays?"
    because = f"{percent(right)} of its surface stays after the whole sweep; the limit asks for {percent(limit)}."
    return _known(words, tuple(FACET_BANDS), band, because)


def _amounts(right: float, offered: Sequence[float], unit: str, draw: Random) -> tuple[str, ...]:
    """The right number among wrong ones of the same case, and multiples of it, in rising order."""
    digits = DIGITS[unit]
    pool: list[float] = []
    for value in [*offered, *(factor * right for factor in PADDING)]:
        apart = all(abs(value - other) >= APART_FRAC * max(other, right) for other in (right, *pool))
        if apart and value >= 10**-digits:
            pool.append(value)
    chosen = sorted([right, *draw.sample(pool, min(CHOICES - 1, len(pool)))])
    return tuple(amount(value, unit, digits) for value in chosen)


KINDS: Mapping[str, QuestionKind] = {
    "structure at clock": QuestionKind(NEAR_SIGHTS, _near, lambda of: (f"clock:{of}",)),
    "structure over the top": QuestionKind(FAR_SIGHTS, _far, lambda of: (f"far clock:{of}",)),
    "first limit": QuestionKind((), _first_limit, lambda of: ("limit:first",)),
    "bone mm3": QuestionKind(STRUCTURES, _bone, lambda of: (f"mm3:{of}",)),
    # about what the steps before it may have stated
    "most bone": QuestionKind((), _most_bone, lambda of: ()),
    "reach mm": QuestionKind((), _reach, lambda of: ("reach:far",)),
    "what stops": QuestionKind((), _stops, lambda of: ("reach:stops",)),
    "entry lateral mm": QuestionKind((), _entry, lambda of: ("entry:lateral",)),
    # of plans that are looked for once somebody has chosen: nothing before tells them
    "better side": QuestionKind((), better_side, lambda of: ()),
    "enough access": QuestionKind((), enough_access, lambda of: ()),
    "facet kept": QuestionKind(RELATIONS, _facet, lambda of: (f"facet:{of}",)),
}
"""Every kind of question a lesson may ask."""
