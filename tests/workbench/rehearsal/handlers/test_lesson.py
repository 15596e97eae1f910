"""Teaching over the socket: lessons that keep their answers to themselves, marks, and blind plans judged."""

from __future__ import annotations

import json
import re

import pytest

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.plan_file import plan_text
from canalwise.estimator.level.target_names import NAMES
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.case.folder import Case
from canalwise.recon.errors import WrongUse
from canalwise.workbench.commands.main import main
from canalwise.workbench.rehearsal.handlers import lesson as ask_lesson
from canalwise.workbench.rehearsal.handlers.lesson import (
    FOUND,
    AssessmentRequest,
    LessonRequest,
    MarkRequest,
    judge_answer,
    lesson_answer,
    mark_answer,
)
from canalwise.workbench.rehearsal.session.request import Cancelled, Json, RequestJob
from canalwise.workbench.rehearsal.session.session import Session
from canalwise.workbench.teaching.lesson import built_in_lessons, lesson_of
from canalwise.workbench.teaching.lesson_steps import TEXTS, Lesson
from canalwise.workbench.teaching.placeholders import HELD_BACK, PlanFacts
from tests.workbench import toy

LEVEL = "L3-L4"
STEP_KEYS = {"title", *TEXTS, "camera", "phase", "depth_mm", "question", "choices", "left_out", "explore"}
LESSONS = built_in_lessons()

SECRETIVE = """
schema = "canalwise.lesson/1"
title = "Secretive"
intro = "It reaches {reach:far}."
[[steps]]
title = "Ask for {reach:far}"
aim = "Reach {reach:far}, stopped by {reach:stops}, from the {side}."
[steps.question]
kind = "reach mm"
[[steps]]
title = "Ask again"
aim = "Before it stood: {reach:far}. What stops: {reach:stops}."
[steps.question]
kind = "what stops"
[[steps]]
title = "Ask nothing"
aim = "Rest."
"""


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Session:
    folder = tmp_path_factory.mktemp("case")
    (folder / "plans").mkdir()
    return Session(Case(toy.scan(), toy.pressed_anatomy(), folder), LESSONS | {"secretive": lesson_of(SECRETIVE)})


@pytest.fixture(scope="module")
def plan() -> Approach:
    return default_approach(toy.pressed_anatomy(), LEVEL, "left")


@pytest.fixture(scope="module")
def facts(session: Session, plan: Approach) -> PlanFacts:
    return PlanFacts(session.exact(plan, NAMES))


def reported(session: Session, name: str, plan: Approach) -> Json:
    """A lesson's answer."""
    return lesson_answer(session, LessonRequest(name, plan, NAMES), RequestJob())


def marked(session: Session, name: str, step: int, plan: Approach, choice: str) -> Json:
    """A mark's answer."""
    return mark_answer(session, MarkRequest(name, step, plan, NAMES, choice), RequestJob())


@pytest.mark.parametrize("name", LESSONS)
def test_a_lesson_holds_its_steps_and_no_answers(session, plan, name):
    answer = reported(session, name, plan)
    json.dumps(answer, allow_nan=False)
    assert set(answer) == {"name", "title", "intro", "blind", "steps"}
    assert (answer["name"], answer["title"]) == (name, LESSONS[name].title)
    assert len(answer["steps"]) == len(LESSONS[name].steps)
    for step, written in zip(answer["steps"], LESSONS[name].steps, strict=True):
        assert set(step) == STEP_KEYS
        assert bool(step["question"]) == bool(step["choices"])
        assert bool(step["question"] or step["left_out"]) == (written.question is not None)
        assert not re.search(r"[{}]", " ".join(step[field] for field in ("title", *TEXTS)))


def test_facts_that_would_answer_are_held_back_everywhere_in_the_lesson(session, plan, facts):
    answer = reported(session, "secretive", plan)
    first, second, _ = answer["steps"]
    assert answer["intro"] == f"It reaches {HELD_BACK}."
    assert first["title"] == f"Ask for {HELD_BACK}"
    assert first["aim"] == f"Reach {HELD_BACK}, stopped by {HELD_BACK}, from the left."
    assert second["aim"] == f"Before it stood: {HELD_BACK}. What stops: {HELD_BACK}."


def test_a_mark_tells_the_steps_own_facts_and_still_not_those_of_others(session, plan, facts):
    first_step = reported(session, "secretive", plan)["steps"][0]
    answer = marked(session, "secretive", 0, plan, first_step["choices"][0])
    assert set(answer) == {"right", "correct", "because", "revealed"}
    assert answer["revealed"]["aim"] == f"Reach {facts.reported('reach:far')}, stopped by {HELD_BACK}, from the left."


@pytest.mark.parametrize("name", LESSONS)
def test_just_one_choice_of_each_question_is_right(session, plan, name):
    for number, step in enumerate(reported(session, name, plan)["steps"]):
        answers = [marked(session, name, number, plan, choice) for choice in step["choices"]]
        assert [answer["right"] for answer in answers].count(True) == (1 if answers else 0)
        for choice, answer in zip(step["choices"], answers, strict=True):
            assert answer["right"] == (choice == answer["correct"])
            assert answer["because"]


def test_the_same_plan_gets_the_same_questions(session, plan):
    assert reported(session, "1-one-side-both-recesses", plan) == reported(session, "1-one-side-both-recesses", plan)


def test_the_pictures_phase_is_a_place_in_the_plan(session, plan):
    name = "1-one-side-both-recesses"
    for step, written in zip(reported(session, name, plan)["steps"], LESSONS[name].steps, strict=True):
        assert plan.phases[step["phase"]].name == written.phase
    near_only = Approach(plan.level, plan.side, plan.docking_point_mm, plan.pivot_distance_mm, plan.phases[:1])
    assert {step["phase"] for step in reported(session, name, near_only)["steps"]} == {0}


@pytest.mark.parametrize(
    ("step", "choice", "rule"),
    [
        (-1, "x", "the step must be from 0 to 2"),
        (3, "x", "the step must be from 0 to 2"),
        (0, "a guess of my own", "the choice must be one of those offered"),
        (2, "x", "the step must ask a question"),
    ],
)
def test_a_mark_for_what_was_not_requested_is_refused(session, plan, step, choice, rule):
    with pytest.raises(WrongUse, match=rule):
        marked(session, "secretive", step, plan, choice)


def test_a_lesson_that_is_not_there_is_refused_with_those_that_are(session, plan):
    with pytest.raises(WrongUse, match=r"must be one of 1-one-side-both-recesses, .* \(got 'none'\)"):
        reported(session, "none", plan)


def test_a_blind_plan_is_judged_with_progress(session, plan):
    steps: list[tuple[int, int]] = []
    job = RequestJob(tell=lambda done, total, words: steps.append((done, total)))
    answer = judge_answer(session, AssessmentRequest("5-plan-it-blind", plan, NAMES), job)
    json.dumps(answer, allow_nan=False)
    assert set(answer) == {"verdicts", "missed", "numbers", "good", "words"}
    assert all(set(row) == {"name", "yours", "good", "difference"} for row in answer["numbers"])
    assert steps
    assert all(0 < done <= total for done, total in steps)
    if answer["good"] is not None:
        assert answer["good"]["name"] == FOUND


def test_the_best_kept_plan_stands_beside_a_blind_one(session, plan, monkeypatch):
    """Other levels, sides and what is no plan are passed over, and nothing is searched."""
    monkeypatch.setattr(ask_lesson, "is_good", lambda *_: True)
    monkeypatch.setattr(ask_lesson, "found_plan", lambda *_: pytest.fail("a kept plan is there"))
    other = default_approach(toy.pressed_anatomy(), LEVEL, "right")
    steeper = Approach(plan.level, plan.side, plan.docking_point_mm, plan.pivot_distance_mm + 3, plan.phases)
    folder = session.case.folder / "plans"
    texts = {"right": plan_text(other), "mine": plan_text(plan), "steeper": plan_text(steeper), "torn": "level ="}
    for name, text in texts.items():
        (folder / f"{name}.toml").write_text(text)
    try:
        answer = judge_answer(session, AssessmentRequest("5-plan-it-blind", plan, NAMES), RequestJob())
    finally:
        for name in texts:
            (folder / f"{name}.toml").unlink()
    assert answer["good"]["name"] == "steeper"
    assert answer["good"]["plan"]["pivot_distance_mm"] == steeper.pivot_distance_mm


def test_a_judgement_can_be_called_off(session, plan):
    job = RequestJob()
    job.stop.set()
    with pytest.raises(Cancelled):
        judge_answer(session, AssessmentRequest("5-plan-it-blind", plan, NAMES), job)


def test_only_a_blind_lesson_is_judged(session, plan):
    with pytest.raises(WrongUse, match="must be a blind one"):
        judge_answer(session, AssessmentRequest("secretive", plan, NAMES), RequestJob())


def test_over_the_socket(page, toy_plan):
    """The messages as protocol/lessons.ts has them, and nothing of the answer in the lesson's frame."""
    lesson = page.ask("lesson", name="2-choosing-the-tilt", plan=toy_plan, task=list(NAMES))
    number, step = next((n, s) for n, s in enumerate(lesson["steps"]) if s["question"])
    assert not {"correct", "right", "because"} & set(step)
    choice = step["choices"][0]
    fields = {"lesson": lesson["name"], "step": number, "plan": toy_plan, "task": list(NAMES)}
    assert page.ask("mark", **fields, choice=choice)["right"] in (True, False)
    assert "choice" in page.refused("mark", **fields)["got"]
    assert page.refused("mark", **fields, choice="a guess")["who"] == "the choice"


def test_the_case_lists_its_lessons(served):
    listed = served.get("case.json").json()["lessons"]
    assert listed == [{"name": name, "title": lesson.title} for name, lesson in LESSONS.items()]


def test_a_folder_of_ones_own_that_cannot_be_taught_is_refused_before_anything_is_served(case, tmp_path, capsys):
    (tmp_path / "mine.toml").write_text(SECRETIVE.replace("{side}", "{sides}"))
    assert main(["rehearse", str(case), "--no-open", "--lessons", str(tmp_path)]) == 3
    reported = " ".join(capsys.readouterr().err.split())
    assert "the lesson mine.toml" in reported
    assert "steps[0].aim holds the unknown placeholder {sides}" in reported


def test_a_lesson_is_a_frozen_value():
    with pytest.raises(AttributeError):
        LESSONS["2-choosing-the-tilt"].title = "another"  # type: ignore[misc]
    assert isinstance(LESSONS["2-choosing-the-tilt"], Lesson)
