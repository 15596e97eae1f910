"""A plan made blind, held against limits and a good plan."""

from __future__ import annotations

from dataclasses import replace

import pytest

from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.batch.outcomes_by_relation import ENOUGH_FRAC
from canalwise.estimator.estimate.estimate import Estimate, estimate_of
from canalwise.estimator.estimate.limit_checks import verdicts_of
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.limits import Limits
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.workbench.style.phrases import amount
from canalwise.workbench.teaching.assessment import assessment_of, best_of, found_plan, is_good, things_missed
from tests.laws.scenes import LEVEL, SPEC, anatomy_on, grid_of, ready_level


@pytest.fixture(scope="module")
def prepared() -> PreparedLevel:
    return ready_level(anatomy_on(SPEC, grid_of(SPEC)))


@pytest.fixture(scope="module")
def usual(prepared: PreparedLevel) -> Estimate:
    return estimate_of(prepared, default_approach(prepared.anatomy, LEVEL, "left"))


LOOKED: list[int] = []
"""How many approaches the search told it had looked at, each time."""


@pytest.fixture(scope="module")
def good(usual: Estimate) -> Estimate:
    """What a short search finds; the usual start touches too little of the far recess of this phantom."""
    return found_plan(usual, LOOKED.append)


def aimed(found: Estimate, medial_tilt_deg: float) -> Estimate:
    """The same plan with another tilt over the top."""
    first, last = found.approach.phases
    phases = (first, replace(last, medial_tilt_deg=medial_tilt_deg))
    return estimate_of(found.prepared, replace(found.approach, phases=phases))


def under(found: Estimate, **limits: float) -> Estimate:
    """The same plan under other limits."""
    return estimate_of(replace(found.prepared, limits=Limits().changed(**limits)).ready(), found.approach)


def test_a_good_plan_misses_nothing_and_says_so(good):
    reported = assessment_of(good)
    assert reported.missed == ()
    assert things_missed(good) == 0
    assert [met for _, _, met in reported.verdicts] == [True] * len(verdicts_of(good))
    assert "Every limit that could be measured is kept" in reported.words
    assert "No better plan was found" in reported.words


def test_broken_limits_are_missed_with_number_and_limit(usual):
    strict = under(usual, lateral_removal_mm=5.0, pars_residual_mm=50.0)
    reported = assessment_of(strict)
    worst = next(v for v in verdicts_of(strict) if v.name == "farthest bone taken from the midline")
    words = f"A limit is broken: {worst.name}, {amount(worst.value, 'mm')} (at most 5.0 mm)."
    assert words in reported.missed
    assert f"{len(reported.missed)} thing" in reported.words
    # a pars that was thin before and loses nothing is the patient's
    untouched = [(words, met) for name, words, met in reported.verdicts if "pars" in name and met]
    assert all("thin before, nothing is taken from it" in words for words, _ in untouched)


def test_a_target_not_reached_is_missed_with_what_stops_the_tool(usual):
    reported = assessment_of(aimed(usual, 5.0))
    missed = [words for words in reported.missed if "contralateral recess" in words]
    assert len(missed) == 1
    assert f"{100 * ENOUGH_FRAC:.0f} % would be enough" in missed[0]
    assert "most of the rest lies" in missed[0]


def test_numbers_stand_beside_those_of_the_other_plan(usual):
    other = aimed(usual, usual.approach.phases[1].medial_tilt_deg + 2.0)
    rows = {row.name: row for row in assessment_of(usual, other).numbers}
    bone = rows["bone for the task"]
    mine, theirs = usual.task.removal.total_mm3, other.task.removal.total_mm3
    assert (bone.yours, bone.good) == (amount(mine, "mm3", 0), amount(theirs, "mm3", 0))
    assert bone.difference == f"{'+' if mine >= theirs else chr(0x2212)}{amount(abs(mine - theirs), 'mm3', 0)}"
    alone = assessment_of(usual).numbers
    assert [row.name for row in alone] == list(rows)
    assert {(row.good, row.difference) for row in alone} == {("", "")}


def test_the_best_breaks_no_limit_then_reaches_most_then_takes_least(usual):
    short, strict = aimed(usual, 5.0), under(usual, lateral_removal_mm=5.0)
    assert best_of({}) is None
    assert best_of({"short": short, "usual": usual, "strict": strict}) == "usual"
    leaner = estimate_of(usual.prepared, usual.approach, task=("contralateral recess", "ipsilateral recess"))
    assert leaner.task.removal.total_mm3 < usual.task.removal.total_mm3
    assert best_of({"usual": usual, "leaner": leaner}) == "leaner"


def test_only_a_better_plan_is_shown_beside_a_bad_one(usual, good):
    short = aimed(usual, 5.0)
    assert is_good(usual, short)
    assert not is_good(short, usual)
    assert not is_good(short, short)
    assert is_good(good, good)  # it misses nothing


def test_a_short_search_finds_a_plan_that_misses_nothing(usual, good):
    assert sum(LOOKED) > 1000
    assert things_missed(good) == 0 < things_missed(usual)
    assert (good.approach.channel, good.approach.side) == (usual.approach.channel, "left")
    assert assessment_of(usual, good).words.endswith("The plan beside it misses nothing.")


@pytest.mark.parametrize(
    ("deeper_mm", "reported"), [(2.0, " more for its task than the plan beside it."), (0.0, "about")]
)
def test_of_two_good_plans_the_bone_is_compared(good, deeper_mm, reported):
    phases = tuple(replace(p, tip_past_lamina_mm=p.tip_past_lamina_mm + deeper_mm) for p in good.approach.phases)
    other = estimate_of(good.prepared, replace(good.approach, phases=phases, channel=thicker(good, deeper_mm)))
    assert things_missed(other) == 0
    assert reported in assessment_of(other, good).words


def thicker(found: Estimate, by_mm: float) -> Channel:
    """A thicker scope and sleeve, which need more room on the same way."""
    channel = found.approach.channel
    return replace(
        channel,
        scope_diameter_mm=channel.scope_diameter_mm + by_mm,
        sleeve_diameter_mm=channel.sleeve_diameter_mm + by_mm,
    )
