"""A lesson on the page: led through by keyboard, questions marked, what was missed reported, a blind plan judged."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from canalwise.workbench.teaching.lesson import built_in_lessons
from tests.browser.conftest import LEVEL
from tests.browser.rehearsal import LONG_WAIT_MS, Rehearsal

pytestmark = pytest.mark.xdist_group("browser")

WHOLE, SHORT, *_, BLIND = built_in_lessons()
TITLES = {name: lesson.title for name, lesson in built_in_lessons().items()}

RIGHT = """async ([name, step, choices]) => {
  const {store, link} = window.rehearsal;
  const {plan, task} = store.state;
  const {answer} = await link.ask({ask: "mark", lesson: name, step, plan, task, choice: choices[0]});
  return answer.correct;
}"""
"""What the server holds for right, asked behind the page's back."""


class Taught:
    """The lesson panel driven by a test."""

    def __init__(self, rehearsal: Rehearsal, name: str) -> None:
        self.rehearsal, self.name = rehearsal, name
        self.panel = rehearsal.panel("Lesson")
        self.panel.get_by_label("Choose a lesson").select_option(name)
        self.heading(TITLES[name]).wait_for()

    def heading(self, words: str) -> Any:
        """A page of the lesson by its heading."""
        return self.panel.get_by_role("heading", name=words)

    def onward(self) -> str:
        """To the next page; gives its heading, on which the focus must be."""
        self.panel.locator("#lesson-next").click()
        return str(self.rehearsal.page.evaluate("document.activeElement.textContent"))

    @property
    def choices(self) -> list[str]:
        """What can be chosen on this page."""
        return [box.get_attribute("value") for box in self.panel.locator(".lesson-question input").all()]

    def answer(self, step: int, right: bool) -> str:
        """Answers a step's question; gives what the page says to it."""
        correct = self.rehearsal.page.evaluate(RIGHT, [self.name, step, self.choices])
        choice = correct if right else next(each for each in self.choices if each != correct)
        self.panel.locator(f".lesson-question input[value={quoted(choice)}]").check()
        self.panel.get_by_role("button", name="Answer", exact=True).click()
        said = self.panel.locator(".lesson-feedback")
        said.wait_for()
        return str(said.text_content())

    def walk(self, at: Callable[[int], bool | None]) -> str:
        """Through the whole lesson, answering right, wrong or not at all; gives the score."""
        for step in range(len(built_in_lessons()[self.name].steps)):
            self.onward()
            how = at(step)
            if self.choices and how is not None:
                said = self.answer(step, how)
                assert ("Right." in said) == how
        assert self.onward() == "How it went"
        return str(self.panel.locator("#lesson-score").text_content())


def quoted(words: str) -> str:
    """A value in a selector."""
    return '"' + words.replace('"', '\\"') + '"'


@pytest.fixture
def whole(rehearsal: Rehearsal) -> Taught:
    return Taught(rehearsal, WHOLE)


@pytest.fixture
def short(rehearsal: Rehearsal) -> Taught:
    return Taught(rehearsal, SHORT)


def test_a_perfect_walk_scores_everything_and_misses_nothing(whole: Taught) -> None:
    score = whole.walk(lambda step: True)
    questions = sum(step.question is not None for step in built_in_lessons()[WHOLE].steps)
    assert score == f"{questions} of {questions} right."
    assert "Nothing was missed." in whole.panel.text_content()
    assert whole.panel.locator(".lesson-missed button").count() == 0


def test_what_was_wrong_or_not_answered_is_missed_and_can_be_gone_back_to(short: Taught) -> None:
    score = short.walk(lambda step: {0: True, 1: False}.get(step))
    assert score == "1 of 4 right, 1 wrong, 2 not answered."
    missed = short.panel.locator(".lesson-missed li").all_text_contents()
    assert [line.partition(":")[0] for line in missed] == ["Step 2", "Step 3", "Step 4"]
    assert "you said" in missed[0]
    assert missed[1].endswith("not answered")
    short.panel.locator(".lesson-missed button").last.click()
    assert short.heading("4 of 4: Where it ends").is_visible()
    assert short.choices


def test_nothing_answered_misses_every_question(short: Taught) -> None:
    assert short.walk(lambda step: None) == "0 of 4 right, 4 not answered."
    assert short.panel.locator(".lesson-missed li").count() == 4


def test_a_step_sets_the_pictures_and_hides_the_numbers_until_its_question_is_marked(whole: Taught) -> None:
    steps = built_in_lessons()[WHOLE].steps
    for number in range(9):
        whole.onward()
        assert whole.rehearsal.state("looks.scope_past_mm") == steps[number].depth_mm
        assert whole.rehearsal.state("looks.phase") == int(steps[number].phase == "over the top")
        assert whole.rehearsal.state("blind") == (steps[number].question is not None)
    assert not whole.rehearsal.page.locator("#numbers .figures").is_visible()
    whole.answer(8, right=True)
    assert not whole.rehearsal.state("blind")
    assert whole.rehearsal.page.locator("#numbers .figures").is_visible()


def test_numbers_that_a_person_asks_for_are_shown_for_that_step(whole: Taught) -> None:
    whole.onward()
    whole.rehearsal.page.locator("#reveal").click()
    assert not whole.rehearsal.state("blind")
    whole.onward()
    assert whole.rehearsal.state("blind")
    assert whole.rehearsal.do("return store.kept().blind") is False  # a reload must not leave them hidden
    whole.rehearsal.panel("Slices")
    assert not whole.rehearsal.state("blind")


def test_a_lesson_stays_where_it_was_while_other_panels_are_looked_at(short: Taught) -> None:
    short.onward()
    said = short.answer(0, right=False)
    short.rehearsal.panel("Slices")
    short.rehearsal.panel("Lesson")
    assert short.heading("1 of 4: Where you stand").is_visible()
    assert short.panel.locator(".lesson-feedback").text_content() == said
    assert short.panel.locator(".lesson-question fieldset[disabled]").count() == 1


def test_a_question_is_answered_with_keys_alone(short: Taught) -> None:
    keyboard = short.rehearsal.page.keyboard
    short.panel.locator("#lesson-next").focus()
    keyboard.press("Enter")
    short.panel.locator(".lesson-question input").first.focus()
    keyboard.press("ArrowDown")
    chosen = short.panel.locator(".lesson-question input:checked").get_attribute("value")
    assert chosen == short.choices[1]
    keyboard.press("Enter")
    short.panel.locator(".lesson-feedback").wait_for()
    assert short.rehearsal.page.evaluate("document.activeElement.className").startswith("lesson-feedback")


def test_the_texts_follow_the_plan(short: Taught) -> None:
    short.onward()
    aim = short.panel.locator(".lesson-words dd").first
    before = aim.text_content()
    short.rehearsal.do("const p = store.state.plan; store.choose({...p, phases: p.phases.map((x, i) => "
                       "i ? {...x, medial_tilt_deg: x.medial_tilt_deg - 6} : x)});")  # fmt: skip
    short.rehearsal.page.wait_for_function(
        "before => document.querySelector('.lesson-words dd').textContent !== before", arg=before
    )
    assert f"far phase {short.rehearsal.far_tilt:.0f}\u00b0" in aim.text_content()


def test_a_plan_that_is_taken_back_leaves_nothing_greyed(short: Taught) -> None:
    short.onward()
    short.rehearsal.rest()
    short.rehearsal.do("const p = store.state.plan; store.choose({...p, pivot_distance_mm: p.pivot_distance_mm + 1}); "
                       "store.undo();")  # fmt: skip
    short.rehearsal.rest()
    short.rehearsal.page.wait_for_function(
        "() => document.querySelector('.lesson-body').getAttribute('aria-busy') === 'false'"
    )


def test_another_side_starts_the_lesson_anew(short: Taught) -> None:
    short.onward()
    short.answer(0, right=True)
    other = {"left": "Right", "right": "Left"}[short.rehearsal.state("plan.side")]
    short.rehearsal.page.get_by_role("radio", name=other, exact=True).check(force=True)
    short.rehearsal.confirm(LEVEL)
    short.heading(TITLES[SHORT]).wait_for()
    short.panel.get_by_text(f"from the {other.lower()}").wait_for()
    assert "\u2713" not in short.panel.locator(".lesson-steps").text_content()


def test_a_blind_plan_is_judged_when_it_is_done(rehearsal: Rehearsal) -> None:
    blind = Taught(rehearsal, BLIND)
    assert not rehearsal.state("blind")
    steps = len(built_in_lessons()[BLIND].steps)
    for _ in range(steps):
        blind.onward()
        assert rehearsal.state("blind")
    assert blind.panel.locator("#lesson-next").text_content() == "I am done"
    before = rehearsal.state("plan")
    assert {phase["medial_tilt_deg"] for phase in before["phases"]} == {0}, "a blind plan begins neutral"
    assert blind.onward() == "The plan is judged"
    assert not rehearsal.state("blind")
    # a good plan is searched for, to hold this one against
    blind.panel.locator(".lesson-table").first.wait_for(timeout=LONG_WAIT_MS)
    estimate = rehearsal.rest().state("answer.estimate")
    rows = blind.panel.locator(".lesson-table").last.locator("tr")
    # both sides freed or not, and every limit of the resection
    assert rows.count() == 2 + len(estimate["resection"]["limits"])
    bone = blind.panel.locator(".lesson-table").first.locator("tr", has_text="bone to free it").locator("td").first
    assert bone.text_content() == f"{estimate['resection']['bone_removed_mm3']['total']:.0f} mm\u00b3"
    assert_score_files(blind, rows.count())
    blind.panel.get_by_role("button", name="Take that plan over").click()
    assert rehearsal.state("plan") != before
    rehearsal.do("store.undo()")
    assert rehearsal.state("plan") == before


def assert_score_files(blind: Taught, judged: int) -> None:
    """A class's score file of a judged plan, as CSV and as JSON, says what the page says."""
    files = {}
    for kind in ("CSV", "JSON"):
        with blind.rehearsal.page.expect_download() as handed:
            blind.panel.get_by_role("button", name=f"Save the score ({kind})").click()
        assert handed.value.suggested_filename == f"score-{blind.name}.{kind.lower()}"
        files[kind] = Path(handed.value.path()).read_text()
    (row,) = csv.DictReader(io.StringIO(files["CSV"]))
    whole = json.loads(files["JSON"])
    broken = blind.panel.locator(".lesson-table").last.locator("tr.breached").count()
    assert (int(row["judged"]), int(row["not_met"])) == (len(whole["verdicts"]), broken) == (judged, broken)
    assert row["case_mark"] == whole["case_mark"] == blind.rehearsal.state("facts.mark")
    assert "Not a medical device" in whole["caution"]


def test_a_level_that_is_not_confirmed_is_not_taught(server: Any, opened: Any) -> None:
    page = opened(server.url)
    page.page.get_by_role("button", name="Not now, only look").click()
    panel = page.panel("Lesson")
    panel.get_by_text("Its lessons are shown once it is").wait_for()
    assert panel.locator(".lesson-words, .lesson-question, .lesson-intro").count() == 0
