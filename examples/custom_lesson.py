"""A lesson of one's own: written as TOML, filled in from a case, and its question put."""

import canalwise as cw
from canalwise.phantoms.spec import demo_spec
from canalwise.workbench.demonstration import phantom_case
from canalwise.workbench.teaching.lesson import held_back, lesson_of
from canalwise.workbench.teaching.lesson_question import LessonQuestion
from canalwise.workbench.teaching.placeholders import PlanFacts, filled
from canalwise.workbench.teaching.questions import question_of

LESSON = """
schema = "canalwise.lesson/1"
title = "The far recess"
intro = "From the {side} at {level}."
[[steps]]
title = "Over the top"
aim = "Lean across: {medial tilt:over the top}."
look = "{mm3:spinous base} of the spinous base has to go; {facet:contralateral} of the far joint stays."
question = {kind = "what stops"}
"""


def main(anatomy: cw.Anatomy | None = None) -> LessonQuestion:
    """Prints the lesson on the usual plan and returns its question. The page: canalwise rehearse CASE --lessons DIR."""
    if anatomy is None:
        scan, labels = phantom_case(demo_spec(), "L3-L4")
        anatomy = cw.build(scan, labels=labels)
    lesson = lesson_of(LESSON)
    facts = PlanFacts(cw.estimate(anatomy, cw.default_approach(anatomy, "L3-L4", "left")).value)
    (step,) = lesson.steps
    print(*(filled(text, facts, held_back(lesson)) for text in (lesson.intro, step.aim, step.look)), sep="\n")
    question = question_of(facts, "what stops", "", seed=0)
    assert isinstance(question, LessonQuestion), question
    print(question.words, question.choices, "->", question.correct, question.because)
    return question


if __name__ == "__main__":
    main()
