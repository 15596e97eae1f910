"""One level of a case in a cohort: its plan, estimate and audit, kept in the case folder."""

from __future__ import annotations

from canalwise.estimator.approach.plan_file import KeptPlan
from canalwise.estimator.audit.audit import AuditQuestion, audit_of
from canalwise.estimator.audit.audit_json import audit_as_json
from canalwise.estimator.estimate.monte_carlo import MonteCarloOptions
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.level.target_names import NAMES
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.search.best_approach import search
from canalwise.estimator.search.search_task import SearchTask
from canalwise.recon.case.folder import Case
from canalwise.recon.labels import Side
from canalwise.recon.scan import Scan
from canalwise.workbench.cohort.row_record import CohortOptions
from canalwise.workbench.console.json_results import json_and_decompressed_level, searched_json
from canalwise.workbench.console.plan_store import keep_estimate, keep_result, noted_anatomy, of_anatomy


def usual_plan(case: Case, level: str, side: Side) -> KeptPlan:
    """The usual start for a level and a side."""
    return KeptPlan(default_approach(case.anatomy, level, side), case.anatomy_sha256)


def searched_plan(case: Case, level: str, sides: tuple[Side, ...], options: CohortOptions) -> KeptPlan:
    """The best that a search finds; all that it found is kept as results/search-LEVEL.json."""
    prepared = prepared_level(case.anatomy, level)
    found = search(prepared, SearchTask(sides=sides, budget=options.budget, seed=options.seed))
    if found.stopped:
        # the best so far is no result of a cohort: the row is begun anew when the cohort is taken up
        raise KeyboardInterrupt
    keep_result(case, f"search-{level}", of_anatomy(case, searched_json(found)))
    return KeptPlan(found.best.approach, case.anatomy_sha256)


def audit_level(case: Case, plan: KeptPlan, after: Scan) -> None:
    """Keeps results/LEVEL-audit.json: what a scan after the operation shows, against the plan."""
    level = plan.approach.level
    found = audit_of(case.anatomy, case.scan, after, AuditQuestion(level, plan.approach))
    keep_result(case, f"{level}-audit", of_anatomy(case, audit_as_json(found)))


def estimate_level(case: Case, plan: KeptPlan, name: str, options: CohortOptions) -> None:
    """Keeps plans/NAME.toml and results/NAME.json."""
    trial = MonteCarloOptions(options.samples, options.seed) if options.samples else None
    document = of_anatomy(case, json_and_decompressed_level(noted_anatomy(case, plan), plan.approach, NAMES, trial)[0])
    keep_estimate(case, name, plan.approach, document)
