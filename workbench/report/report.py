"""The report: one self-contained page about one approach, the same bytes for the same case."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.level.target_names import NAMES
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.proposed_levels import levels_proposal
from canalwise.recon.scan import Scan
from canalwise.recon.serialization import write_bytes_atomic
from canalwise.workbench.console.search_tables import ACCESS_COLUMNS
from canalwise.workbench.images.planned_case import PlannedCase
from canalwise.workbench.report import confidence_section as report_sure
from canalwise.workbench.report import plan_section as report_plan
from canalwise.workbench.report import summary as report_glance
from canalwise.workbench.report import tables as report_facts
from canalwise.workbench.report.audit_section import AuditSection
from canalwise.workbench.report.facts import JOB, ReportFacts, facts_of
from canalwise.workbench.report.pictures import PlanPictures, charts
from canalwise.workbench.report.viewer_data import viewer_data
from canalwise.workbench.report.what_if_section import NO_CHARTS, WhatIfCharts, what_if_pictures
from canalwise.workbench.style.page_bundle import VIEWER, VIEWER_STYLE, page_text
from canalwise.workbench.style.palette import phase_colour_word
from canalwise.workbench.style.stamp import NO_STAMP, SIGNATURE, STICKER, Stamp
from canalwise.workbench.style.templates import resource, template


@dataclass(frozen=True)
class Report:
    """The page, and the estimate and the comparison it shows as JSON data."""

    html: str
    estimate: Mapping[str, Any]
    comparison: Mapping[str, Any]


def report_of(scan: Scan, anatomy: Anatomy, approach: Approach, task: Sequence[str] = NAMES) -> Report:
    """The report about one approach and what it is to touch: estimates it, compares the accesses, draws everything.

    Raises what `estimator.estimate.estimate.estimate` and `estimator.comparison.accesses.compared_accesses` raise.
    """
    reported = facts_of(scan, anatomy, approach, task)
    return Report(page_of(reported), reported.estimate, reported.comparison)


def page_of(reported: ReportFacts) -> str:
    """The page's HTML."""
    scene = viewer_data(reported.found, reported.resected)
    return page(
        reported.planned,
        reported.estimate,
        reported.comparison,
        reported.pictures,
        reported.what_if,
        scene,
        reported.audit,
        reported.stamp,
    )


def page(
    planned: PlannedCase,
    estimate: Mapping[str, Any],
    comparison: Mapping[str, Any],
    pictures: PlanPictures,
    what_if: WhatIfCharts = NO_CHARTS,
    scene: str = "",
    audit: AuditSection | None = None,
    stamp: Stamp = NO_STAMP,
) -> str:
    """The page's HTML; with a `scene` of `workbench.report.viewer_data` the level can be turned in it."""
    return template("report/report.html.j2").render(
        caution=CAUTION,
        job=JOB,
        style=resource("report/report.css"),
        planned=planned,
        estimate=estimate,
        comparison=comparison,
        head=report_glance,
        plan=report_plan,
        facts=report_facts,
        access_columns=ACCESS_COLUMNS,
        sure=report_sure,
        phase_colour_word=phase_colour_word,
        pictures=pictures,
        charts=charts(planned, estimate, comparison),
        proposal=levels_proposal(planned.anatomy.levels, planned.anatomy.sources),
        what_if=what_if,
        what_if_pictures=what_if_pictures(what_if),
        scene=scene,
        audit=audit,
        stamp=stamp,
        sticker=STICKER,
        signature=SIGNATURE,
        viewer=page_text(VIEWER) if scene else "",
        viewer_style=page_text(VIEWER_STYLE) if scene else "",
    )


def write_report(path: Path, report: Report) -> None:
    """Writes the page, whole or not at all."""
    write_bytes_atomic(path, report.html.encode())
