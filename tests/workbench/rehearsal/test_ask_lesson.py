"""Teaching over the socket: lessons that keep their answers to themselves, marks, and blind plans judged."""

from __future__ import annotations

import json
import re

import pytest

from estimator.approach import Approach
from estimator.plan import default_approach
from estimator.plan_file import plan_text
from estimator.task_names import NAMES
from recon.case import Case
from recon.errors import WrongUse
from tests.workbench import toy
from workbench.cli import main
from workbench.lesson import TEXTS, Lesson, built_in_lessons, lesson_of
from workbench.lesson_facts import HELD_BACK, Facts
from workbench.rehearsal import ask_lesson
from workbench.rehearsal.ask_lesson import (
    FOUND,
    AskJudge,
    AskLesson,
    AskMark,
    judge_answer,
    lesson_answer,
    mark_answer,
)
from workbench.rehearsal.asks import CalledOff, Job, Json
from workbench.rehearsal.desk import Desk

LEVEL = "L3-L4"
STEP_KEYS = {"title", *TEXTS, "camera", "phase", "depth_mm", "question", "choices", "left_out"}
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
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    folder = tmp_path_factory.mktemp("case")
    (folder / "plans").mkdir()
    return Desk(Case(toy.scan(), toy.anatomy(), folder), LESSONS | {"secretive": lesson_of(SECRETIVE)})


@pytest.fixture(scope="module")
def plan() -> Approach:
    return default_approach(toy.anatomy(), LEVEL, "left")


@pytest.fixture(scope="module")
def facts(desk: Desk, plan: Approach) -> Facts:
    return Facts(desk.exact(plan, NAMES))


def told(desk: Desk, name: str, plan: Approach) -> Json:
    """A lesson's answer."""
    return lesson_answer(desk, AskLesson(name, plan, NAMES), Job())


def marked(desk: Desk, name: str, step: int, plan: Approach, choice: str) -> Json:
    """A mark's answer."""
    return mark_answer(desk, AskMark(name, step, plan, NAMES, choice), Job())


@pytest.mark.parametrize("name", LESSONS)
def test_a_lesson_holds_its_steps_and_no_answers(desk, plan, name):
    answer = told(desk, name, plan)
    json.dumps(answer, allow_nan=False)
    assert set(answer) == {"name", "title", "intro", "blind", "steps"}
    assert (answer["name"], answer["title"]) == (name, LESSONS[name].title)
    assert len(answer["steps"]) == len(LESSONS[name].steps)
    for step, written in zip(answer["steps"], LESSONS[name].steps, strict=True):
        assert set(step) == STEP_KEYS
        assert bool(step["question"]) == bool(step["choices"])
        assert bool(step["question"] or step["left_out"]) == (written.question is not None)
        assert not re.search(r"[{}]", " ".join(step[field] for field in ("title", *TEXTS)))


def test_facts_that_would_answer_are_held_back_everywhere_in_the_lesson(desk, plan, facts):
    answer = told(desk, "secretive", plan)
    first, second, _ = answer["steps"]
    assert answer["intro"] == f"It reaches {HELD_BACK}."
    assert first["title"] == f"Ask for {HELD_BACK}"
    assert first["aim"] == f"Reach {HELD_BACK}, stopped by {HELD_BACK}, from the left."
    assert second["aim"] == f"Before it stood: {HELD_BACK}. What stops: {HELD_BACK}."


def test_a_mark_tells_the_steps_own_facts_and_still_not_those_of_others(desk, plan, facts):
    asked = told(desk, "secretive", plan)["steps"][0]
    answer = marked(desk, "secretive", 0, plan, asked["choices"][0])
    assert set(answer) == {"right", "correct", "because", "told"}
    assert answer["told"]["aim"] == f"Reach {facts.told('reach:far')}, stopped by {HELD_BACK}, from the left."


@pytest.mark.parametrize("name", LESSONS)
def test_just_one_choice_of_each_question_is_right(desk, plan, name):
    for number, step in enumerate(told(desk, name, plan)["steps"]):
        answers = [marked(desk, name, number, plan, choice) for choice in step["choices"]]
        assert [answer["right"] for answer in answers].count(True) == (1 if answers else 0)
        for choice, answer in zip(step["choices"], answers, strict=True):
            assert answer["right"] == (choice == answer["correct"])
            assert answer["because"]


def test_the_same_plan_is_asked_the_same(desk, plan):
    assert told(desk, "1-one-side-both-recesses", plan) == told(desk, "1-one-side-both-recesses", plan)


def test_the_pictures_phase_is_a_place_in_the_plan(desk, plan):
    name = "1-one-side-both-recesses"
    for step, written in zip(told(desk, name, plan)["steps"], LESSONS[name].steps, strict=True):
        assert plan.phases[step["phase"]].name == written.phase
    near_only = Approach(plan.level, plan.side, plan.docking_point_mm, plan.pivot_distance_mm, plan.phases[:1])
    assert {step["phase"] for step in told(desk, name, near_only)["steps"]} == {0}


@pytest.mark.parametrize(
    ("step", "choice", "rule"),
    [
        (-1, "x", "the step must be from 0 to 2"),
        (3, "x", "the step must be from 0 to 2"),
        (0, "a guess of my own", "the choice must be one of those offered"),
        (2, "x", "the step must ask a question"),
    ],
)
def test_a_mark_for_what_was_not_asked_is_refused(desk, plan, step, choice, rule):
    with pytest.raises(WrongUse, match=rule):
        marked(desk, "secretive", step, plan, choice)


def test_a_lesson_that_is_not_there_is_refused_with_those_that_are(desk, plan):
    with pytest.raises(WrongUse, match=r"must be one of 1-one-side-both-recesses, .* \(got 'none'\)"):
        told(desk, "none", plan)


def test_a_blind_plan_is_judged_with_progress(desk, plan):
    steps: list[tuple[int, int]] = []
    job = Job(tell=lambda done, total, words: steps.append((done, total)))
    answer = judge_answer(desk, AskJudge("3-plan-it-blind", plan, NAMES), job)
    json.dumps(answer, allow_nan=False)
    assert set(answer) == {"verdicts", "missed", "numbers", "good", "words"}
    assert all(set(row) == {"name", "yours", "good", "difference"} for row in answer["numbers"])
    assert steps
    assert all(0 < done <= total for done, total in steps)
    if answer["good"] is not None:
        assert answer["good"]["name"] == FOUND


def test_the_best_kept_plan_stands_beside_a_blind_one(desk, plan, monkeypatch):
    """Other levels, sides and what is no plan are passed over, and nothing is searched."""
    monkeypatch.setattr(ask_lesson, "is_good", lambda *_: True)
    monkeypatch.setattr(ask_lesson, "found_plan", lambda *_: pytest.fail("a kept plan is there"))
    other = default_approach(toy.anatomy(), LEVEL, "right")
    steeper = Approach(plan.level, plan.side, plan.docking_point_mm, plan.pivot_distance_mm + 3, plan.phases)
    folder = desk.case.folder / "plans"
    texts = {"right": plan_text(other), "mine": plan_text(plan), "steeper": plan_text(steeper), "torn": "level ="}
    for name, text in texts.items():
        (folder / f"{name}.toml").write_text(text)
    try:
        answer = judge_answer(desk, AskJudge("3-plan-it-blind", plan, NAMES), Job())
    finally:
        for name in texts:
            (folder / f"{name}.toml").unlink()
    assert answer["good"]["name"] == "steeper"
    assert answer["good"]["plan"]["pivot_distance_mm"] == steeper.pivot_distance_mm


def test_a_judgement_can_be_called_off(desk, plan):
    job = Job()
    job.stop.set()
    with pytest.raises(CalledOff):
        judge_answer(desk, AskJudge("3-plan-it-blind", plan, NAMES), job)


def test_only_a_blind_lesson_is_judged(desk, plan):
    with pytest.raises(WrongUse, match="must be a blind one"):
        judge_answer(desk, AskJudge("secretive", plan, NAMES), Job())


def test_over_the_socket(page, toy_plan):
    """The messages as protocol.ts has them, and nothing of the answer in the lesson's frame."""
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
    told = " ".join(capsys.readouterr().err.split())
    assert "the lesson mine.toml" in told
    assert "steps[0].aim holds the unknown placeholder {sides}" in told


def test_a_lesson_is_a_frozen_value():
    with pytest.raises(AttributeError):
        LESSONS["2-choosing-the-tilt"].title = "another"  # type: ignore[misc]
    assert isinstance(LESSONS["2-choosing-the-tilt"], Lesson)
