"""All that a report about one approach states: its estimate, the compared accesses and the what-if charts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import CancelledError, ThreadPoolExecutor
from dataclasses import dataclass
from threading import Event
from typing import Any

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.estimate.estimate import Estimate, estimate_of
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.level.target_names import NAMES
from canalwise.estimator.outcome.decompressed import DecompressedLevel, decompressed_or_none
from canalwise.estimator.search.search_task import SearchTask
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.parallel import thread_count
from canalwise.recon.scan import Scan
from canalwise.workbench.console.json_results import compared_json, with_decompression
from canalwise.workbench.images.planned_case import PlannedCase, planned_removal
from canalwise.workbench.report.audit_section import AuditSection
from canalwise.workbench.report.pictures import PlanPictures, plan_pictures
from canalwise.workbench.report.what_if_section import WhatIfCharts, what_if
from canalwise.workbench.style.stamp import NO_STAMP, Stamp

COMPARED = 200
"""Approaches looked at to compare the accesses: 25 processor seconds on the demonstration. `canalwise compare` looks at
more."""


JOB = "Rehearsal of a one-sided, over-the-top decompression of lumbar central stenosis on the patient's own scan."


def _compared(prepared: PreparedLevel, halted: Event) -> Mapping[str, Any]:
    """The accesses; none, and why, where what is in view does not allow them."""

    def go_on(_: int) -> None:
        if halted.is_set():
            raise CancelledError  # a search takes KeyboardInterrupt for a wish to see the best so far

    try:
        return compared_json(prepared, SearchTask(budget=COMPARED), go_on)
    except AnatomyNotFound as problem:
        return {"level": prepared.level.name, "rows": [], "conclusion": f"Not compared: {problem}", "caution": CAUTION}


@dataclass(frozen=True, eq=False)
class ReportFacts:
    """All that a report states, whatever form it takes."""

    found: Estimate
    planned: PlannedCase
    pictures: PlanPictures
    estimate: Mapping[str, Any]
    comparison: Mapping[str, Any]
    what_if: WhatIfCharts
    audit: AuditSection | None = None
    stamp: Stamp = NO_STAMP
    resected: DecompressedLevel | None = None


def facts_of(
    scan: Scan, anatomy: Anatomy, approach: Approach, task: Sequence[str] = NAMES, stamp: Stamp = NO_STAMP
) -> ReportFacts:
    """The facts of the report about an approach; raises as `report_of`."""
    prepared = prepared_level(anatomy, approach.level)
    found = estimate_of(prepared, approach, task)
    resected = decompressed_or_none(prepared, approach)
    planned = PlannedCase(scan, anatomy, anatomy.level(approach.level), approach, planned_removal(found, resected))
    document = with_decompression(estimate_as_json(found), prepared, approach, known=resected)
    pictures, charts, comparison = _drawn_and_compared(planned, prepared, approach)
    return ReportFacts(found, planned, pictures, document, comparison, charts, None, stamp, resected)


def _drawn_and_compared(
    planned: PlannedCase, prepared: PreparedLevel, approach: Approach
) -> tuple[PlanPictures, WhatIfCharts, Mapping[str, Any]]:
    """Drawing keeps one processor busy, and what is compiled the other; Ctrl-C waits for neither."""
    halted = Event()

    def others() -> tuple[WhatIfCharts, Mapping[str, Any]]:
        return what_if(prepared, approach), _compared(prepared, halted)

    if thread_count() == 1:
        return plan_pictures(planned), *others()
    with ThreadPoolExecutor(1) as pool:
        beside = pool.submit(others)
        try:
            return plan_pictures(planned), *beside.result()
        except BaseException:
            halted.set()
            raise
