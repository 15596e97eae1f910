"""Teaching: a lesson filled in from a plan, its questions marked, and a plan made blind judged."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from zlib import crc32

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.plan_file import read_plan
from canalwise.estimator.estimate.estimate import Estimate
from canalwise.estimator.level.target_names import NAMES
from canalwise.recon.errors import AnatomyNotFound, CanalwiseError, WrongUse
from canalwise.workbench.console.plan_store import plan_names, plan_path
from canalwise.workbench.rehearsal.session.request import Cancelled, Json, RequestJob, RequestKind
from canalwise.workbench.rehearsal.session.session import Session
from canalwise.workbench.teaching.assessment import BUDGET, assessment_of, best_of, found_plan, is_good
from canalwise.workbench.teaching.explorations import exploration_words, explored
from canalwise.workbench.teaching.lesson import answered_by, held_back
from canalwise.workbench.teaching.lesson_question import LessonQuestion, UnanswerableQuestion
from canalwise.workbench.teaching.lesson_steps import TEXTS, Lesson, LessonStep
from canalwise.workbench.teaching.placeholders import PlanFacts, filled
from canalwise.workbench.teaching.questions import question_of

FOUND = "a plan that the planner found"
"""What a plan is called that has no name in the case."""

KEPT_LOOKED_AT = 12
"""Plans kept in the case that are estimated at most, to find the best of them."""


@dataclass(frozen=True)
class LessonRequest:
    """Request for the lesson of that name, filled in from a plan."""

    name: str
    plan: Approach
    task: tuple[str, ...]


@dataclass(frozen=True)
class MarkRequest:
    """Is a choice the right one? `step` counts from 0."""

    lesson: str
    step: int
    plan: Approach
    task: tuple[str, ...]
    choice: str


@dataclass(frozen=True)
class ExplorationRequest:
    """What have plans that a trainee pinned come to, of what a step asks to explore?"""

    lesson: str
    step: int
    plans: tuple[Approach, ...]


@dataclass(frozen=True)
class AssessmentRequest:
    """How good is a plan that was made blind?"""

    lesson: str
    plan: Approach
    task: tuple[str, ...]


def lesson_answer(session: Session, message: LessonRequest, job: RequestJob) -> Json:
    """The lesson with its texts filled in; what would answer one of its questions is held back."""
    lesson = lesson_named(session, message.name)
    facts = PlanFacts(session.exact(message.plan, message.task))
    steps = [_step(lesson, number, message.name, facts) for number in range(len(lesson.steps))]
    reported = {"name": message.name, "title": lesson.title, "blind": lesson.blind}
    return reported | {"intro": filled(lesson.intro, facts, held_back(lesson)), "steps": steps}


def mark_answer(session: Session, message: MarkRequest, job: RequestJob) -> Json:
    """Right or wrong, why, and the step's words with nothing of its own held back."""
    lesson = lesson_named(session, message.lesson)
    if not 0 <= message.step < len(lesson.steps):
        raise WrongUse("the step", f"must be from 0 to {len(lesson.steps) - 1}", got=message.step)
    facts, step = PlanFacts(session.exact(message.plan, message.task)), lesson.steps[message.step]
    question = _question(step, message.step, message.lesson, facts)
    if not isinstance(question, LessonQuestion):
        raise WrongUse("the step", "must ask a question", got=message.step)
    if message.choice not in question.choices:
        raise WrongUse("the choice", "must be one of those offered", got=message.choice)
    reported = _words(step, facts, held_back(lesson) - answered_by(step))
    return {
        "right": message.choice == question.correct,
        "correct": question.correct,
        "because": question.because,
        "revealed": reported,
    }


def exploration_answer(session: Session, message: ExplorationRequest, job: RequestJob) -> Json:
    """Each thing that is required, whether the plans do it, and the numbers."""
    lesson = lesson_named(session, message.lesson)
    if not 0 <= message.step < len(lesson.steps) or not lesson.steps[message.step].explore:
        raise WrongUse("the step", "must be one that asks to explore", got=message.step)
    if not 1 <= len(message.plans) <= MOST_EXPLORED:
        raise WrongUse("the plans", f"must be from 1 to {MOST_EXPLORED}", got=len(message.plans))
    found = []
    for plan in message.plans:
        if job.stop.is_set():
            raise Cancelled
        found.append(session.exact(plan, NAMES))
    marks = explored(lesson.steps[message.step].explore, found)
    return {"marks": [{"name": mark.name, "met": mark.met, "words": mark.words} for mark in marks]}


MOST_EXPLORED = 4
"""Plans that a page holds against each other."""


def judge_answer(session: Session, message: AssessmentRequest, job: RequestJob) -> Json:
    """The limits, what was missed, and the same numbers of a good plan: the best kept one, or one that is searched."""
    if not lesson_named(session, message.lesson).blind:
        raise WrongUse("the lesson", "must be a blind one to be judged", got=message.lesson)
    yours = session.exact(message.plan, message.task)
    good = _good_plan(session, yours, message.task, job)
    judgement = assessment_of(yours, None if good is None else good[1])
    verdicts = [{"name": name, "words": words, "met": met} for name, words, met in judgement.verdicts]
    return {
        "verdicts": verdicts,
        "missed": list(judgement.missed),
        "numbers": [asdict(row) for row in judgement.numbers],
        "good": None if good is None else {"name": good[0], "plan": asdict(good[1].approach)},
        "words": judgement.words,
    }


def lesson_named(session: Session, name: str) -> Lesson:
    """The lesson of that name; raises WrongUse where there is none."""
    if name not in session.lessons:
        raise WrongUse("the lesson", f"must be one of {', '.join(session.lessons)}", got=name)
    return session.lessons[name]


def _step(lesson: Lesson, number: int, name: str, facts: PlanFacts) -> Json:
    step = lesson.steps[number]
    question = _question(step, number, name, facts)
    return _words(step, facts, held_back(lesson)) | {
        "title": filled(step.title, facts, held_back(lesson)),
        "camera": step.camera,
        "phase": _phase(facts.estimate.approach, step.phase),
        "depth_mm": step.depth_mm,
        "question": question.words if isinstance(question, LessonQuestion) else "",
        "choices": list(question.choices) if isinstance(question, LessonQuestion) else [],
        "left_out": question.because if isinstance(question, UnanswerableQuestion) else "",
        "explore": exploration_words(step.explore, facts),
    }


def _words(step: LessonStep, facts: PlanFacts, hidden: frozenset[str]) -> Json:
    return {field: filled(getattr(step, field), facts, hidden) for field in TEXTS}


def _question(
    step: LessonStep, number: int, lesson: str, facts: PlanFacts
) -> LessonQuestion | UnanswerableQuestion | None:
    """The step's question; the same for the same lesson, step, level and side."""
    if step.question is None:
        return None
    seed = crc32(f"{lesson}/{number}/{facts.level.name}/{facts.side}".encode())
    return question_of(facts, step.question.kind, step.question.of, seed)


def _phase(approach: Approach, name: str) -> int:
    """The place of a phase in the plan; the last one where none is named so."""
    names = [phase.name for phase in approach.phases]
    return names.index(name) if name in names else len(names) - 1


def _good_plan(
    session: Session, yours: Estimate, task: tuple[str, ...], job: RequestJob
) -> tuple[str, Estimate] | None:
    """The best plan kept in the case, one that a short search finds where none is, or None where neither is good."""
    kept = _kept_estimates(session, yours.approach, task)
    best = best_of(kept)
    if best is not None and is_good(kept[best], yours):
        return best, kept[best]
    found = _searched(yours, job)
    return None if found is None or not is_good(found, yours) else (FOUND, found)


def _searched(yours: Estimate, job: RequestJob) -> Estimate | None:
    done = 0

    def progress(count: int) -> None:
        nonlocal done
        done += count
        job.tell(min(done, BUDGET), BUDGET, "looking for a good plan")
        if job.stop.is_set():
            raise Cancelled

    try:
        return found_plan(yours, progress)
    except AnatomyNotFound:
        return None


def _kept_estimates(session: Session, plan: Approach, task: tuple[str, ...]) -> dict[str, Estimate]:
    """Other plans kept in the case for the same level and side, by name; files that are no plan are passed over."""
    found: dict[str, Estimate] = {}
    for name in plan_names(session.case)[:KEPT_LOOKED_AT]:
        try:
            kept = read_plan(plan_path(session.case, name))
        except CanalwiseError:
            continue
        if (kept.level, kept.side) == (plan.level, plan.side) and kept != plan:
            found[name] = session.exact(kept, task)
    return found


ASKS: dict[str, RequestKind] = {
    "lesson": RequestKind(LessonRequest, lesson_answer, newest_only=True),
    "mark": RequestKind(MarkRequest, mark_answer),
    "explore": RequestKind(ExplorationRequest, exploration_answer, long=True),
    "judge": RequestKind(AssessmentRequest, judge_answer, long=True),
}
