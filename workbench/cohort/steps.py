"""The steps that each case of a cohort goes through: functions of its folder, in the order of `STEPS`.

A step reads what earlier ones left in the case folder and writes its own results there; `workbench.cohort.rows` makes
the table's rows of what lies in the folder at the end. A further step is one more line in `STEPS`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import cast

from canalwise.recon.labels import SIDES, Side
from canalwise.workbench.cohort.case_list import CaseLine
from canalwise.workbench.cohort.row_record import CohortOptions, Failure, failure_of

RECOVERABLE = (Exception,)
"""What one level of a case may fail with, without the others."""


@dataclass
class CaseWork:
    """One case at work.

    Parameters
    ----------
    line : of the list
    folder : the case folder
    options : of the whole cohort
    failures : of single levels, filled by the steps
    planned : level -> name of its plan in the case, filled by the step that plans
    """

    line: CaseLine
    folder: Path
    options: CohortOptions
    failures: list[Failure] = field(default_factory=list)
    planned: dict[str, str] = field(default_factory=dict)

    @contextmanager
    def each_level(self, step: str, level: str) -> Iterator[None]:
        """What is done inside for one level may fail without the other levels of the case."""
        try:
            yield
        except RECOVERABLE as error:
            self.failures.append(failure_of(error, step, level))


@dataclass(frozen=True)
class CohortStep:
    """A step: its name, and what it does to a case."""

    name: str
    work: Callable[[CaseWork], None]


def build(work: CaseWork) -> None:
    """Scan and label maps to a case folder, as 'canalwise build'."""
    from canalwise.recon.case.folder import write_case
    from canalwise.recon.intake.reader import read_scan
    from canalwise.recon.modality import ModalityName
    from canalwise.workbench.console.build_options import anatomy_from, check_out

    line = work.line
    check_out(work.folder, force=True)
    scan = read_scan(
        line.scan,
        modality=cast(ModalityName, line.modality) if line.modality else None,
        accept_thick=line.accept_thick,
        accept_tilt=line.accept_tilt,
        series=line.series,
    )
    anatomy = anatomy_from(scan, line.labels, line.label_names, line.levels or None)
    write_case(work.folder, scan, anatomy, force=True)


def measure(work: CaseWork) -> None:
    """Measurements of all levels, as 'canalwise measure', to results/measure.json."""
    from canalwise.recon.case.folder import read_case
    from canalwise.workbench.console.json_results import measured_json
    from canalwise.workbench.console.plan_store import keep_result, of_anatomy

    case = read_case(work.folder)
    keep_result(case, "measure", of_anatomy(case, measured_json(case.anatomy)))


def plan(work: CaseWork) -> None:
    """A plan for every requested level, given, usual or searched for, and its numbers, as 'canalwise estimate'."""
    from canalwise.estimator.approach.plan_file import read_kept_plan
    from canalwise.recon.case.folder import read_case
    from canalwise.workbench.cohort.level_plans import estimate_level

    case = read_case(work.folder)
    if work.line.plan:
        kept = read_kept_plan(work.line.plan)
        name = f"{kept.approach.level}-{kept.approach.side}"
        estimate_level(case, kept, name, work.options)
        work.planned[kept.approach.level] = name
        return
    in_view = tuple(level.name for level in case.anatomy.levels)
    for name in in_view if "all" in work.line.level else work.line.level:
        with work.each_level("plan", name):
            _plan_level(work, name)


def _plan_level(work: CaseWork, name: str) -> None:
    from canalwise.recon.case.folder import read_case
    from canalwise.workbench.cohort.level_plans import estimate_level, searched_plan, usual_plan

    case, line = read_case(work.folder), work.line
    if line.approach == "search":
        sides = cast("tuple[Side, ...]", (line.side,) if line.side else SIDES)
        start, plan_name = searched_plan(case, name, sides, work.options), f"{name}-search"
    else:
        start, plan_name = usual_plan(case, name, cast(Side, line.side)), f"{name}-{line.side}"
    estimate_level(case, start, plan_name, work.options)
    work.planned[name] = plan_name


def audit(work: CaseWork) -> None:
    """Every planned level against the scan after the operation, where there is one, as 'canalwise audit'."""
    line = work.line
    if line.post is None:
        return
    from canalwise.estimator.approach.plan_file import read_kept_plan
    from canalwise.recon.case.folder import read_case
    from canalwise.recon.intake.reader import read_scan
    from canalwise.workbench.cohort.level_plans import audit_level

    case = read_case(work.folder)
    after = read_scan(line.post, accept_thick=line.accept_thick, accept_tilt=line.accept_tilt)
    for level, name in work.planned.items():
        with work.each_level("audit", level):
            audit_level(case, read_kept_plan(work.folder / "plans" / f"{name}.toml"), after)


STEPS: tuple[CohortStep, ...] = (
    CohortStep("build", build),
    CohortStep("measure", measure),
    CohortStep("plan", plan),
    CohortStep("audit", audit),
)
"""In their order."""
