"""A small made-up case on disk, and its report drawn once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from importlib import import_module

import pytest

from canalwise.estimator.charts import all_charts
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.search import best_approach
from canalwise.recon.case.folder import write_case
from canalwise.workbench.images import solids as scene
from canalwise.workbench.report import facts as report_facts
from canalwise.workbench.report.facts import ReportFacts, facts_of
from canalwise.workbench.report.report import Report, page_of
from canalwise.workbench.style import data_uris
from tests.shared import shared
from tests.workbench import toy

EXECUTIONS = 5
"""Simulated executions worked out here; more are these again. Whether intervals cover is tested in tests/estimator."""


@pytest.fixture(scope="session", autouse=True)
def small_studies() -> Iterator[None]:
    """Few executions, and few plans of a search estimated exactly: here is tested how results are kept and shown."""
    # the room hands out the function under the module's name
    resection_intervals = import_module("canalwise.estimator.execution.resection_intervals")
    worked_out = resection_intervals._samples

    def few(found, trial, each):
        some = worked_out(found, replace(trial, samples=min(trial.samples, EXECUTIONS)), each)
        return [some[n % len(some)] for n in range(trial.samples)]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(resection_intervals, "_samples", few)
        patch.setattr(best_approach, "ON_FRONT", 2)
        yield


@pytest.fixture
def case(tmp_path):
    """A case folder of the toy segment."""
    write_case(tmp_path / "case", toy.scan(), toy.pressed_anatomy())
    return tmp_path / "case"


@pytest.fixture(scope="session")
def coarse_pictures():
    """3D pictures of few pixels and charts of few approaches, so that the tests stay quick."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(scene, "PIXEL_MM", 1.5)
        patch.setattr(scene, "CELL_MM", 1.5)
        patch.setattr(data_uris, "SLICE_DPI", 40)
        patch.setattr(data_uris, "CHART_DPI", 40)
        patch.setattr(report_facts, "COMPARED", 30)
        patch.setattr(all_charts, "SPARING_STEP_MM", 16.0)
        patch.setattr(all_charts, "SPARING_STEP_DEG", 15.0)
        yield


@shared
def _toy_facts() -> ReportFacts:
    return facts_of(toy.scan(), toy.pressed_anatomy(), default_approach(toy.pressed_anatomy(), "L3-L4", "left"))


@pytest.fixture(scope="session")
def toy_facts(coarse_pictures):
    """What the report about the usual start from the left states."""
    return _toy_facts()


@pytest.fixture(scope="session")
def toy_report(toy_facts):
    """That report."""
    return Report(page_of(toy_facts), toy_facts.estimate, toy_facts.comparison)
