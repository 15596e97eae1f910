"""A small made-up case on disk, and its report drawn once."""

from __future__ import annotations

import pytest

from canalwise.estimator.charts import all_charts
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.case.folder import write_case
from canalwise.workbench.images import solids as scene
from canalwise.workbench.report import facts as report_facts
from canalwise.workbench.report.facts import ReportFacts, facts_of
from canalwise.workbench.report.report import Report, page_of
from canalwise.workbench.style import data_uris
from tests.shared import shared
from tests.workbench import toy


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
