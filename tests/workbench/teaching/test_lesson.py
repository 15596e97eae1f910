"""Lessons as data files: each disease is named with its file, field and rule; those that come along can be taught."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from canalwise.recon.errors import BadFile, WrongUse
from canalwise.workbench.teaching.lesson import (
    BUILT_IN,
    LARGEST_BYTES,
    built_in_lessons,
    held_back,
    lesson_of,
    lessons_in,
)
from canalwise.workbench.teaching.placeholders import FACTS
from canalwise.workbench.teaching.questions import KINDS

WHOLE = """
schema = "canalwise.lesson/1"
title = "A short one"
intro = "From the {side}."

[[steps]]
title = "Upper lamina"
aim = "Feel for it."
look = "It lies at {clock:upper lamina}."
phase = "over the top"
depth_mm = -3
[steps.question]
kind = "bone mm3"
of = "total"
"""


def test_a_whole_lesson_is_read():
    lesson = lesson_of(WHOLE, "short.toml")
    step = lesson.steps[0]
    assert (lesson.title, lesson.blind, len(lesson.steps)) == ("A short one", False, 1)
    assert (step.camera, step.phase, step.depth_mm, step.remove) == ("scope", "over the top", -3.0, "")
    assert step.question is not None
    assert held_back(lesson) == {"mm3:total"}


DISEASES = {
    "not TOML": ('title = "A short one"', "title = ", "must be a TOML file"),
    "another schema": ("canalwise.lesson/1", "canalwise.lesson/2", "must carry the schema"),
    "no title": ('title = "A short one"\n', "", "title is missing"),
    "empty title": ("A short one", " ", "title must be a text without placeholders"),
    "placeholder in the title": ("A short one", "{level}", "title must be a text without placeholders"),
    "no intro": ('intro = "From the {side}."\n', "", "intro is missing"),
    "unknown key": ('intro = "', 'inrto = "x"\nintro = "', "inrto is unknown"),
    "unknown key of a step": ('aim = "', 'aims = "x"\naim = "', "steps[0].aims is unknown"),
    "no aim": ('aim = "Feel for it."\n', "", "steps[0].aim is missing"),
    "empty aim": ("Feel for it.", "", "steps[0].aim must not be empty"),
    "text that is a number": ('"Feel for it."', "7", "steps[0].aim must be text"),
    "unknown camera": ('phase = "', 'camera = "drone"\nphase = "', "steps[0].camera must be one of scope, bench"),
    "unknown phase": ("over the top", "under the top", "steps[0].phase must be one of ipsilateral, over the top"),
    "depth that is a text": ("depth_mm = -3", 'depth_mm = "deep"', "steps[0].depth_mm must be a number"),
    "depth out of reach": ("depth_mm = -3", "depth_mm = 61", "steps[0].depth_mm must be in [-60, 60]"),
    "depth that is no number": ("depth_mm = -3", "depth_mm = nan", "steps[0].depth_mm must be in [-60, 60]"),
    "unknown placeholder": ("{clock:upper lamina}", "{clock:uper lamina}", "look holds the unknown placeholder"),
    "unknown placeholder in the intro": ("{side}", "{sides}", "intro holds the unknown placeholder {sides}"),
    "stray brace": ("{clock:upper lamina}", "{clock:upper lamina", "steps[0].look holds a brace"),
    "unknown kind": ("bone mm3", "bone cm3", "steps[0].question.kind must be one of"),
    "unknown subject": ('of = "total"', 'of = "all"', "steps[0].question.of must be one of"),
    "no subject": ('of = "total"', "", "steps[0].question.of must be one of"),
    "a subject too many": ("bone mm3", "reach mm", "steps[0].question.of must be left out"),
    "no kind": ('kind = "bone mm3"', "", "steps[0].question.kind is missing"),
}  # fmt: skip


@pytest.mark.parametrize("disease", DISEASES)
def test_each_disease_tells_file_field_and_rule(disease):
    healthy, ill, reported = DISEASES[disease]
    assert WHOLE.count(healthy) == 1
    with pytest.raises(BadFile) as caught:
        lesson_of(WHOLE.replace(healthy, ill), "mine.toml")
    assert "the lesson mine.toml" in str(caught.value)
    assert reported in str(caught.value)


def test_no_steps_is_no_lesson():
    with pytest.raises(BadFile, match="steps must hold at least one step"):
        lesson_of(WHOLE.partition("[[steps]]")[0], "empty.toml")


def test_every_fault_is_reported_at_once():
    ill = WHOLE.replace("{side}", "{sides}").replace("bone mm3", "bone cm3").replace("depth_mm = -3", "depth_mm = 99")
    with pytest.raises(BadFile) as caught:
        lesson_of(ill, "mine.toml")
    assert all(reported in str(caught.value) for reported in ("{sides}", "question.kind", "depth_mm"))


def test_a_misspelt_placeholder_is_reported_with_those_of_its_kind():
    with pytest.raises(BadFile, match=r"known are \{clock:upper lamina\}"):
        lesson_of(WHOLE.replace("{clock:upper lamina}", "{clock:lamina}"), "mine.toml")


BLIND = WHOLE.partition("[steps.question]")[0].replace("[[steps]]", "blind = true\n[[steps]]")


def test_a_blind_lesson_tells_no_number_and_asks_nothing():
    assert lesson_of(BLIND, "blind.toml").blind
    with pytest.raises(BadFile, match="which a blind lesson must not tell"):
        lesson_of(BLIND.replace("Feel for it.", "Take {mm3:total}."), "blind.toml")
    with pytest.raises(BadFile, match="must be left out of a blind lesson"):
        lesson_of(WHOLE.replace("[[steps]]", "blind = true\n[[steps]]"), "blind.toml")


def test_a_folder_of_lessons_in_the_order_of_its_names(tmp_path):
    (tmp_path / "b.toml").write_text(WHOLE)
    (tmp_path / "a.toml").write_text(BLIND)
    (tmp_path / "notes.txt").write_text("not a lesson")
    assert list(lessons_in(tmp_path)) == ["a", "b"]


def test_a_folder_that_teaches_nothing_is_refused(tmp_path):
    with pytest.raises(WrongUse, match="must be an existing folder"):
        lessons_in(tmp_path / "none")
    with pytest.raises(WrongUse, match="must hold at least one lesson"):
        lessons_in(tmp_path)


@pytest.mark.parametrize(
    ("content", "reported"),
    [(b"\xff\xfe\x00", "must be text in UTF-8"), (b"#" * (LARGEST_BYTES + 1), "must be smaller than")],
)
def test_a_file_that_is_no_text_is_refused_by_its_name(tmp_path, content, reported):
    (tmp_path / "odd.toml").write_bytes(content)
    with pytest.raises(BadFile, match=rf"the lesson odd\.toml {reported}"):
        lessons_in(tmp_path)


def test_a_folder_in_place_of_a_file_is_refused(tmp_path):
    (tmp_path / "odd.toml").mkdir()
    with pytest.raises(BadFile, match=r"the lesson odd\.toml must be a readable file"):
        lessons_in(tmp_path)


def test_the_lessons_that_come_along():
    """The whole manoeuvre in docking order, a short one, and a blind exercise; facts of the trade marked as such."""
    lessons = built_in_lessons()
    whole, *_, blind = lessons.values()
    titles = [step.title for step in whole.steps]
    order = ["Find the window's centre", "Upper lamina", "Facet joint", "Lower lamina", "Widen the window",
             "Spinous base", "Near ligament and sac", "Roof of the canal", "Over the top", "Far facet joint",
             "Far recess", "Far foramen", "Disc", "Check the sac", "Withdraw"]  # fmt: skip
    assert titles == order
    assert all(step.danger for lesson in lessons.values() for step in lesson.steps)
    assert [lesson.blind for lesson in lessons.values()] == [False] * (len(lessons) - 1) + [True]
    assert blind.steps
    used = {step.question.kind for lesson in lessons.values() for step in lesson.steps if step.question}
    assert used == set(KINDS)
    for path in Path(BUILT_IN).glob("*.toml"):
        assert "common practice, no source" in " ".join(path.read_text().replace("\n#", "").split())


def test_held_back_facts_are_facts():
    for kind in KINDS.values():
        for of in kind.subjects or ("",):
            assert set(kind.answered_by(of)) <= set(FACTS)


def test_the_lesson_in_the_documentation_can_be_taught():
    page = (Path(__file__).resolve().parents[3] / "docs" / "teaching.md").read_text()
    example = re.findall(r"```toml\n(.*?)```", page, re.S)[0]
    lesson = lesson_of(example, "teaching.toml")
    assert lesson.steps[0].question is not None
