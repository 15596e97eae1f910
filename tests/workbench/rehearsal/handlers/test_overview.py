"""What other commands left with a case, as a page asks for it."""

from __future__ import annotations

import base64
import io
import json

import numpy as np
import pytest
from PIL import Image

from canalwise.estimator.approach.plan_file import ANATOMY_KEY
from canalwise.workbench.console import cohort_folder
from canalwise.workbench.rehearsal.session.case_facts import InitialPlan, case_facts


def pixels(png: str) -> np.ndarray:
    """A picture from its data URL."""
    with Image.open(io.BytesIO(base64.b64decode(png.partition(",")[2]))) as read:
        return np.asarray(read)


def test_the_spine_with_its_levels(page):
    overview = page.ask("overview")
    (level,) = overview["levels"]
    assert (level["name"], level["planned"], level["plan"]) == ("L3-L4", [], "")
    side = pixels(overview["side"]["png"])
    assert side.shape == (overview["side"]["height"], overview["side"]["width"], 3)
    assert 0.2 < overview["side"]["at"]["L3-L4"] < 0.8
    coloured = np.ptp(pixels(level["section"]).astype(int), axis=-1) > 60
    assert coloured.any()  # the sac's outline


def test_what_is_not_there_is_not_offered(page, served):
    facts = case_facts(served.session.case, InitialPlan(), {})
    assert (facts["audits"], facts["several"], facts["cohort"]) == ([], False, False)
    assert page.refused("audit", level="L3-L4")["do"] == "Run 'canalwise audit' with --save."
    assert page.refused("cohort")["who"] == "the cohort's summary"
    assert served.get("levels/L3-L4/audit.bin").status_code == 404


@pytest.fixture
def planned_levels(served):
    """The result of a plan of several levels, planted in the case."""
    one = {
        "level": "L3-L4", "side": "right", "freed_frac": 0.97, "bone_removed_mm3": 400.0, "limits": [],
        "least_area_mm2": {"before": 80.0, "needed": 150.0, "after": 149.0}, "facet_area_kept_frac": {"left": 1.0},
    }  # fmt: skip
    document = {
        "schema": "canalwise.levels/1", "verdict": {"sentence": "Frees every level"}, "bridges": [],
        "each_level": [one], ANATOMY_KEY: served.session.case.anatomy_sha256,
    }  # fmt: skip
    path = served.folder / "results" / "levels.json"
    path.parent.mkdir(exist_ok=True)
    path.write_text(json.dumps(document))
    yield path
    path.unlink()


def test_several_levels_planned_together(page, served, planned_levels):
    overview = page.ask("overview")
    assert overview["several"] == ["Frees every level"]
    assert overview["levels"][0]["plan"] == "L3-L4-right-of-several"
    assert overview["levels"][0]["planned"][:2] == ["right", "97 %"]
    other = json.loads(planned_levels.read_text()) | {ANATOMY_KEY: "another"}
    planned_levels.write_text(json.dumps(other))
    assert page.ask("overview")["several"] == []


def test_a_case_of_a_cohort_leads_to_its_summary(page, served, monkeypatch):
    summary = served.folder.parent / cohort_folder.SUMMARY
    monkeypatch.setattr(cohort_folder, "CASES", served.folder.parent.name)
    beside = served.folder.parent.parent / cohort_folder.SUMMARY
    beside.write_text("<p>the cohort</p>")
    try:
        given = served.get(page.ask("cohort")["url"])
    finally:
        beside.unlink()
    assert given.content == b"<p>the cohort</p>"
    assert "sandbox" in given.headers["content-security-policy"]
    assert not summary.exists()
