"""Questions that compare accesses: searched for only once somebody has chosen, and answered by verdicts, then bone."""

from __future__ import annotations

from random import Random

import pytest

from canalwise.estimator.estimate.estimate import estimate
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.workbench.teaching import access_questions
from canalwise.workbench.teaching.access_questions import BOTH, EITHER, NEITHER, NONE, ONE, better_side, enough_access
from canalwise.workbench.teaching.lesson_question import LessonQuestion, UnanswerableQuestion
from canalwise.workbench.teaching.placeholders import PlanFacts
from tests.workbench import toy


def row(bone_mm3: float, freed: bool = True, kept: bool = True) -> dict:
    return {"verdict": {"freed": freed, "kept": kept, "sentence": "Frees some"}, "bone_removed_mm3": bone_mm3}


@pytest.fixture(scope="module")
def facts() -> PlanFacts:
    anatomy = toy.pressed_anatomy()
    return PlanFacts(estimate(anatomy, default_approach(anatomy, "L3-L4", "left")))


@pytest.mark.parametrize(
    ("left", "right", "both", "side", "access"),
    [
        (row(300), row(200), row(250), "from the right", ONE),
        (row(200), row(210), row(250), EITHER, ONE),
        (row(200), row(100, freed=False), row(250), "from the left", ONE),
        (row(200, kept=False), row(100, freed=False), row(250), NEITHER, BOTH),
        (row(200, kept=False), row(100, freed=False), row(250, kept=False), NEITHER, NONE),
    ],
)
def test_the_answer_follows_the_verdicts_then_bone(monkeypatch, facts, left, right, both, side, access):
    rows = {"left": left, "right": right, "both sides": both, "midline": row(900)}
    monkeypatch.setattr(access_questions, "_rows", lambda _: rows)
    for ask, answer in ((better_side, side), (enough_access, access)):
        question = ask(facts, "", Random(0))
        assert isinstance(question, LessonQuestion)
        assert question.correct == answer
        assert answer in question.choices
        assert "900" not in question.because


def test_nothing_is_searched_before_a_choice(monkeypatch, facts):
    monkeypatch.setattr(access_questions, "_rows", lambda _: pytest.fail("searched too early"))
    assert isinstance(better_side(facts, "", Random(0)), LessonQuestion)


def test_where_nothing_is_known_to_press_nothing_is_asked():
    bare = PlanFacts(estimate(toy.anatomy(), default_approach(toy.anatomy(), "L3-L4", "left")))
    for ask in (better_side, enough_access):
        assert isinstance(ask(bare, "", Random(0)), UnanswerableQuestion)
