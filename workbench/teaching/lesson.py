"""A lesson: a data file that leads through the manoeuvre step by step, on any case, level and side.

schema = "canalwise.lesson/1"
title = "One side, both recesses"
intro = "What is learnt, in a few sentences."
blind = false                            # true: the trainee plans first, numbers are shown afterwards

[[steps]]
title = "Upper lamina"
aim = "What to do."
look = "The upper lamina lies at {clock:upper lamina}."
remove = "{mm3:upper lamina ipsilateral} of it has to go."
danger = "What can go wrong."
camera = "scope"                         # or bench, axial, radiograph
phase = "ipsilateral"                    # or over the top
depth_mm = -12.0                         # of the scope's tip past the docking depth; negative: drawn back
[steps.question]
kind = "structure at clock"              # of `workbench.teaching.questions.KINDS`
of = "upper lamina"                      # its subject, for kinds that need one

Every text may hold the placeholders of `workbench.teaching.placeholders.FACTS`, filled in from the geometry of the
case.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from canalwise.recon.errors import BadFile, WrongUse
from canalwise.recon.serialization import from_data, without_schema
from canalwise.recon.text_files import read_text, toml_data
from canalwise.workbench.teaching.explorations import EXPLORATIONS
from canalwise.workbench.teaching.lesson_steps import CAMERAS, PHASES, TEXTS, Lesson, LessonStep, StepQuestion
from canalwise.workbench.teaching.placeholders import FACTS, NO_NUMBERS, placeholders_in, stray_braces
from canalwise.workbench.teaching.questions import KINDS

SCHEMA = "canalwise.lesson/1"
BUILT_IN = Path(__file__).resolve().parent / "lessons"


FARTHEST_MM = 60.0
"""No scope is shown further from the docking depth, deeper or drawn back (choice)."""

LARGEST_BYTES = 200_000
"""A lesson is text; anything larger is something else."""


def held_back(lesson: Lesson) -> frozenset[str]:
    """Facts that would answer one of a lesson's questions.

    >>> held_back(Lesson("Title", "Intro", (LessonStep("Upper lamina", "Thin it."),)))
    frozenset()
    """
    return frozenset(name for step in lesson.steps for name in answered_by(step))


def answered_by(step: LessonStep) -> frozenset[str]:
    """Facts that would answer a step's own question.

    >>> answered_by(LessonStep("Upper lamina", "Thin it."))
    frozenset()
    """
    question = step.question
    return frozenset() if question is None else frozenset(KINDS[question.kind].answered_by(question.of))


def built_in_lessons() -> dict[str, Lesson]:
    """The lessons that come along, by file name without ending.

    >>> all(lesson.steps for lesson in built_in_lessons().values())
    True
    """
    return lessons_in(BUILT_IN)


def lessons_in(folder: Path) -> dict[str, Lesson]:
    """The lessons of a folder's *.toml files, by file name without ending, in the order of the names.

    Raises
    ------
    WrongUse : no such folder, or no lesson in it
    BadFile : a file that is no lesson; tells file, field and rule
    """
    if not folder.is_dir():
        raise WrongUse("the folder of lessons", "must be an existing folder", got=folder.name)
    paths = sorted(folder.glob("*.toml"))
    if not paths:
        raise WrongUse("the folder of lessons", "must hold at least one lesson, a .toml file", got=folder.name)
    return {path.stem: read_lesson(path) for path in paths}


def read_lesson(path: Path) -> Lesson:
    """The lesson in a file; raises BadFile with the file's name and every fault found."""
    return lesson_of(read_text(path, f"the lesson {path.name}", LARGEST_BYTES), path.name)


def lesson_of(text: str, name: str = "") -> Lesson:
    """The lesson a TOML text describes; raises BadFile, which tells the name, for one that cannot be taught."""
    who = f"the lesson {name}".strip()
    lesson = from_data(Lesson, without_schema(SCHEMA, toml_data(text, who), who=who), who=who)
    if faults := list(_faults(lesson)):
        raise BadFile(who, "must be one that can be taught", got=faults)
    return lesson


def _faults(lesson: Lesson) -> Iterator[str]:
    """Field and rule of every fault that the data types alone do not exclude."""
    for field in ("title", "intro"):
        yield from _text_faults(field, getattr(lesson, field), lesson.blind)
    if not lesson.title.strip() or placeholders_in(lesson.title):
        yield "title must be a text without placeholders: it stands in a list before a plan is there"
    if not lesson.steps:
        yield "steps must hold at least one step"
    for number, step in enumerate(lesson.steps):
        where = f"steps[{number}]"
        for field in ("title", *TEXTS):
            yield from _text_faults(f"{where}.{field}", getattr(step, field), lesson.blind)
        yield from _step_faults(where, step, lesson.blind)


def _step_faults(where: str, step: LessonStep, blind: bool) -> Iterator[str]:
    for field in ("title", "aim"):
        if not getattr(step, field).strip():
            yield f"{where}.{field} must not be empty"
    for field, known in (("camera", CAMERAS), ("phase", PHASES)):
        if getattr(step, field) not in known:
            yield f"{where}.{field} must be one of {', '.join(known)} (got {getattr(step, field)!r})"
    if not abs(step.depth_mm) <= FARTHEST_MM:
        yield f"{where}.depth_mm must be in [{-FARTHEST_MM:g}, {FARTHEST_MM:g}] (got {step.depth_mm})"
    if step.explore and step.explore not in EXPLORATIONS:
        yield f"{where}.explore must be one of {', '.join(EXPLORATIONS)} (got {step.explore!r})"
    if step.question is not None:
        if blind:
            yield f"{where}.question must be left out of a blind lesson: its answer would show a number"
        yield from _question_faults(f"{where}.question", step.question)


def _question_faults(where: str, question: StepQuestion) -> Iterator[str]:
    kind = KINDS.get(question.kind)
    if kind is None:
        yield f"{where}.kind must be one of {', '.join(KINDS)} (got {question.kind!r})"
    elif kind.subjects and question.of not in kind.subjects:
        yield f"{where}.of must be one of {', '.join(kind.subjects)} (got {question.of!r})"
    elif question.of and not kind.subjects:
        yield f"{where}.of must be left out for the kind {question.kind!r} (got {question.of!r})"


def _text_faults(where: str, text: str, blind: bool) -> Iterator[str]:
    if stray_braces(text):
        yield f"{where} holds a brace that belongs to no placeholder"
    for name in placeholders_in(text):
        if name not in FACTS:
            yield f"{where} holds the unknown placeholder {{{name}}}{_meant(name)}"
        elif blind and name not in NO_NUMBERS:
            yield f"{where} holds {{{name}}}, which a blind lesson must not tell"


def _meant(name: str) -> str:
    """The placeholders of the same kind, where there are any."""
    kind = name.partition(":")[0]
    known = [f"{{{fact}}}" for fact in FACTS if fact.partition(":")[0] == kind]
    return f"; known are {', '.join(known)}" if known else ""
