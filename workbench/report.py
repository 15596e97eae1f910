"""The report: one self-contained page about one approach, the same bytes for the same case."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from estimator.approach import Approach
from estimator.estimate import Estimate, estimate_of
from estimator.estimate_json import estimate_as_json
from estimator.prepared import prepared_level
from estimator.search_ways import Question
from estimator.task_names import NAMES
from recon.anatomy import Anatomy
from recon.caution import CAUTION
from recon.records import write_bytes_atomic
from recon.scan import Scan
from workbench import report_facts, report_glance, report_plan, report_sure
from workbench.pages import resource, template
from workbench.palette import phase_colour_word
from workbench.planned import Planned, Taken
from workbench.report_pictures import all_pictures
from workbench.report_viewer import viewer_data
from workbench.report_what_if import NOT_ASKED, WhatIf, what_if, what_if_pictures
from workbench.results import compared_json

COMPARED = 8_000
"""Approaches looked at to compare the ways in: a few seconds. `canalwise compare` looks at more."""

VIEWER, VIEWER_STYLE = "page/dist/viewer.js", "page/dist/viewer.css"

JOB = "Rehearsal of a one-sided, over-the-top decompression of lumbar central stenosis on the patient's own scan."


@dataclass(frozen=True)
class Report:
    """The page, and the estimate and the comparison it tells of as JSON data."""

    html: str
    estimate: Mapping[str, Any]
    comparison: Mapping[str, Any]


@dataclass(frozen=True, eq=False)
class ReportFacts:
    """All that a report tells, whatever form it takes."""

    found: Estimate
    planned: Planned
    estimate: Mapping[str, Any]
    comparison: Mapping[str, Any]
    asked: WhatIf


def report_of(scan: Scan, anatomy: Anatomy, approach: Approach, task: Sequence[str] = NAMES) -> Report:
    """The report about one approach and what it is to touch: estimates it, compares the ways in, draws everything.

    Raises what `estimator.estimate.estimate` and `estimator.best_ways.best_ways` raise.
    """
    told = facts_of(scan, anatomy, approach, task)
    return Report(page_of(told), told.estimate, told.comparison)


def page_of(told: ReportFacts) -> str:
    """The page's HTML."""
    return page(told.planned, told.estimate, told.comparison, told.asked, viewer_data(told.found))


def facts_of(scan: Scan, anatomy: Anatomy, approach: Approach, task: Sequence[str] = NAMES) -> ReportFacts:
    """What the report about an approach tells; raises as `report_of`."""
    prepared = prepared_level(anatomy, approach.level)
    found = estimate_of(prepared, approach, task)
    taken = Taken(found.cone.removal.bench.grid, found.cone.removal.taken_frac, found.task.removal.taken_frac)
    planned = Planned(scan, anatomy, anatomy.level(approach.level), approach, taken)
    document, comparison = estimate_as_json(found), compared_json(prepared, Question(budget=COMPARED))
    return ReportFacts(found, planned, document, comparison, what_if(prepared, approach, task))


def page(
    planned: Planned,
    estimate: Mapping[str, Any],
    comparison: Mapping[str, Any],
    asked: WhatIf = NOT_ASKED,
    scene: str = "",
) -> str:
    """The page's HTML; with a `scene` of `workbench.report_viewer` the level can be turned in it."""
    return template("report.html.j2").render(
        caution=CAUTION,
        job=JOB,
        style=resource("report.css"),
        planned=planned,
        estimate=estimate,
        comparison=comparison,
        head=report_glance,
        plan=report_plan,
        facts=report_facts,
        sure=report_sure,
        phase_colour_word=phase_colour_word,
        pictures=all_pictures(planned, estimate, comparison),
        asked=asked,
        what_if=what_if_pictures(asked),
        scene=scene,
        viewer=resource(VIEWER) if scene else "",
        viewer_style=resource(VIEWER_STYLE) if scene else "",
    )


def write_report(path: Path, report: Report) -> None:
    """Writes the page, whole or not at all."""
    write_bytes_atomic(path, report.html.encode())
