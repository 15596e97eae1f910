"""A plan made blind, judged by what it frees and keeps, and held against a good plan."""

from __future__ import annotations

from dataclasses import replace

import pytest

from canalwise.estimator.batch.outcomes_by_relation import ENOUGH_FRAC
from canalwise.estimator.estimate.estimate import Estimate, estimate_of
from canalwise.estimator.estimate.limit_checks import verdicts_of
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.limits import Limits
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.workbench.style.phrases import amount
from canalwise.workbench.teaching import assessment
from canalwise.workbench.teaching.assessment import BUDGET, assessment_of, best_of, found_plan, is_good, things_missed
from canalwise.workbench.teaching.placeholders import decompressed_by
from tests.laws.scenes import LEVEL, SPEC, anatomy_on, grid_of, ready_level


@pytest.fixture(scope="module")
def prepared() -> PreparedLevel:
    return ready_level(anatomy_on(SPEC, grid_of(SPEC)))


@pytest.fixture(scope="module")
def usual(prepared: PreparedLevel) -> Estimate:
    return estimate_of(prepared, default_approach(prepared.anatomy, LEVEL, "left"))


LOOKED: list[int] = []
"""How many approaches the search reported to have looked at, each time."""


@pytest.fixture(scope="module")
def good(usual: Estimate) -> Estimate:
    """What a short search finds."""
    return found_plan(usual, LOOKED.append)


@pytest.fixture(scope="module")
def short(usual: Estimate) -> Estimate:
    """A plan that enters so near the midline that the far side is not freed."""
    x, y, z = usual.approach.docking_point_mm
    return estimate_of(usual.prepared, replace(usual.approach, docking_point_mm=(x - 6.0, y, z)))


def under(found: Estimate, **limits: float) -> Estimate:
    """The same plan under other limits."""
    return estimate_of(replace(found.prepared, limits=Limits().changed(**limits)).ready(), found.approach)


def test_what_is_freed_stands_first_and_the_verdict_leads(usual):
    found, reported = decompressed_by(usual), assessment_of(usual)
    assert found is not None
    assert [name for name, _, _ in reported.verdicts[:2]] == [
        "freed on the ipsilateral side",
        "freed on the contralateral side",
    ]
    assert len(reported.verdicts) == 2 + len(found.checks)
    assert reported.words.startswith(found.verdict.sentence)
    assert "No better plan that frees enough was found" in reported.words
    assert things_missed(usual) == len(reported.missed)
    assert (reported.missed == ()) == (found.verdict.freed and found.verdict.kept)


def test_broken_limits_are_missed_with_number_and_limit(usual):
    strict = under(usual, spinous_bridge_mm=50.0)
    found = decompressed_by(strict)
    assert found is not None
    bridge = amount(found.cost.base.bridge_mm, "mm")
    words = f"A limit is broken: spinous base bridge remaining, {bridge} (at least 50.0 mm)."
    assert words in assessment_of(strict).missed
    assert things_missed(strict) == things_missed(usual) + 1


def test_too_little_freed_is_missed_with_what_stops_it_and_never_called_good(short):
    reported = assessment_of(short)
    missed = [words for words in reported.missed if "on the contralateral side" in words]
    assert len(missed) == 1
    assert "90 % would be enough; what stops the next of it" in missed[0]
    assert "all limits kept" not in reported.words.lower()


def test_numbers_stand_beside_those_of_the_other_plan(usual, short):
    rows = {row.name: row for row in assessment_of(usual, short).numbers}
    bone = rows["bone to free it"]
    mine, theirs = (decompressed_by(plan).cost.total_mm3 for plan in (usual, short))
    assert (bone.yours, bone.good) == (amount(mine, "mm3", 0), amount(theirs, "mm3", 0))
    assert bone.difference == f"{'+' if mine >= theirs else chr(0x2212)}{amount(abs(mine - theirs), 'mm3', 0)}"
    alone = assessment_of(usual).numbers
    assert [row.name for row in alone] == list(rows)
    assert {(row.good, row.difference) for row in alone} == {("", "")}


def test_the_best_breaks_no_limit_then_frees_most(usual, short):
    assert best_of({}) is None
    assert best_of({"short": short, "usual": usual, "strict": under(usual, spinous_bridge_mm=50.0)}) == "usual"


def test_only_a_plan_that_frees_enough_is_shown_beside_another(usual, short, good):
    for plan in (usual, good):
        assert is_good(plan, short) == decompressed_by(plan).verdict.freed
    assert not is_good(short, usual)
    assert not is_good(short, short)


def test_a_short_search_finds_a_plan_for_the_same_instrument(usual, good):
    assert sum(LOOKED) > BUDGET / 2
    assert (good.approach.channel, good.approach.side) == (usual.approach.channel, "left")
    assert "plan beside it" in assessment_of(usual, good).words


def test_plans_alike_are_called_alike(usual):
    words = assessment_of(usual, usual).words
    assert words.endswith(("about as much bone as the plan beside it.", "but comes nearer."))


def test_without_room_needed_targets_touched_and_the_sweep_decide(usual, monkeypatch):
    monkeypatch.setattr(assessment, "decompressed_by", lambda _: None)
    first, last = usual.approach.phases
    low = estimate_of(usual.prepared, replace(usual.approach, phases=(first, replace(last, medial_tilt_deg=5.0))))
    reported = assessment_of(low)
    missed = [words for words in reported.missed if "contralateral recess" in words]
    assert len(missed) == 1
    assert f"{100 * ENOUGH_FRAC:.0f} % would be enough" in missed[0]
    assert reported.numbers[0].name == "bone for the task"
    assert f"{len(reported.missed)} thing" in reported.words
    assert len(reported.verdicts) == len(verdicts_of(low))
