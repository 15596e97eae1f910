"""The facts of a case that the page receives when it opens."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass

from canalwise.estimator.approach.search_bounds import BOUNDS, INSTRUMENTS, PHASE_BOUNDS
from canalwise.estimator.level.target_names import NAMES
from canalwise.estimator.level.target_points import all_points_mm
from canalwise.estimator.planning.canal_entry import canal_entry_of
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.case.folder import Case
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.labels import SIDES, Side
from canalwise.recon.measurement.confidence import check_sentence
from canalwise.workbench.console.cohort_folder import summary_beside
from canalwise.workbench.console.plan_store import plan_names
from canalwise.workbench.rehearsal.session.earlier_results import audited_levels, kept_levels_plan
from canalwise.workbench.rehearsal.session.request import Json
from canalwise.workbench.report.confidence_section import answers_sentence, names_sentence
from canalwise.workbench.style.stamp import case_mark
from canalwise.workbench.teaching.lesson_steps import Lesson

SCHEMA = "canalwise.rehearsal/1"


@dataclass(frozen=True)
class InitialPlan:
    """What a page that has nothing else to go on with begins from; all of it may be left open."""

    level: str | None = None
    side: Side | None = None
    plan: str | None = None


def case_facts(case: Case, start: InitialPlan, lessons: Mapping[str, Lesson]) -> Json:
    """Levels, instruments, bounds and plans, as case_facts.ts has them; nothing of whose case it is, or where."""
    anatomy = case.anatomy
    return {
        "schema": SCHEMA,
        "caution": CAUTION,
        "modality": case.scan.modality,
        "mark": case_mark(case.anatomy_sha256),
        "levels": [_level_facts(anatomy, level) for level in anatomy.levels],
        "tasks": list(NAMES),
        "instruments": [{"name": name} | asdict(one) for name, one in INSTRUMENTS.items()],
        "sources": dict(anatomy.sources),
        "warnings": list(dict.fromkeys([*case.scan.warnings, *anatomy.warnings])),
        "start": asdict(start),
        "plans": plan_names(case),
        "audits": audited_levels(case),
        "several": kept_levels_plan(case) is not None,
        "cohort": summary_beside(case.folder) is not None,
        "lessons": [{"name": name, "title": lesson.title} for name, lesson in lessons.items()],
        "bounds": {name: asdict(bound) for name, bound in (*BOUNDS.items(), *PHASE_BOUNDS.items())},
        "grey_window": list(case.scan.kind.display_window(case.scan.voxels)),
    }


def _level_facts(anatomy: Anatomy, level: Level) -> Json:
    sure = level.confidence
    check = sure is not None and sure.check_by_eye
    named = "" if anatomy.naming is None else names_sentence(anatomy.naming, level.name)
    return {
        "name": level.name,
        "upper": level.upper,
        "lower": level.lower,
        "sides": [side for side in SIDES if _can_dock(level, side)],
        "check_by_eye": check,
        "confidence_frac": None if sure is None else sure.value_frac,
        "because": " ".join(text for text in (named, answers_sentence(anatomy, level)) if text),
        "warnings": [*([check_sentence(level.name, sure)] if sure is not None and check else []), *level.warnings],
    }


def _can_dock(level: Level, side: Side) -> bool:
    """Is there a canal entry on that side, and are there targets on both?"""
    aims = [level.targets.get(each) for each in SIDES]
    return canal_entry_of(level, side) is not None and all(aim is not None and len(all_points_mm(aim)) for aim in aims)
