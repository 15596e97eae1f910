"""Radiographs and pages to print, requested as a page requests them."""

from __future__ import annotations

import base64
import io

import numpy as np
import pypdf
import pytest
from PIL import Image

from canalwise.estimator.level.target_names import NAMES
from canalwise.recon.disclaimer import CAUTION
from canalwise.workbench.images.radiograph_projection import radiograph_of
from canalwise.workbench.images.radiograph_view import ap_view
from tests.workbench import toy
from tests.workbench.surfaces.test_endoscope_png import url_of


@pytest.fixture(autouse=True)
def _coarse(coarse_pictures):
    """Few pixels in 3D: these tests look at requests and answers."""


def test_radiographs_are_those_of_the_library(page, toy_plan):
    reported = page.ask("radiographs", plan=toy_plan)
    made, view = reported["ap"], ap_view()
    assert [reported[name]["name"] for name in ("ap", "lateral")] == ["AP", "lateral"]
    with Image.open(io.BytesIO(base64.b64decode(made["png"].partition(",")[2]))) as read:
        assert np.array_equal(np.asarray(read), radiograph_of(toy.scan(), toy.anatomy(), "L3-L4", view).grey)
        assert read.size == (made["width"], made["height"])
    assert np.reshape(made["level_to_pixel"], (3, 4)) == pytest.approx(view.level_to_pixel)
    assert (made["left_word"], made["up_word"]) == ("patient's LEFT", "cranial")


def test_docking_point_lies_where_level_to_pixel_says(page, toy_plan):
    for made in page.ask("radiographs", plan=toy_plan).values():
        column, row, depth = np.reshape(made["level_to_pixel"], (3, 4)) @ [*toy_plan["docking_point_mm"], 1.0]
        marks = {mark["name"]: mark for mark in made["marks"]}
        assert marks["docking point"]["pixels"][0] == pytest.approx([column / depth, row / depth], abs=0.01)
        assert {mark["phase"] for mark in made["marks"]} == {-1, 0, 1}


def test_pictures_are_made_once_for_many_plans(page, served, toy_plan):
    first = page.ask("radiographs", plan=toy_plan)
    kept = len(served.session.radiographs)
    moved = {**toy_plan, "pivot_distance_mm": toy_plan["pivot_distance_mm"] + 5}
    other = page.ask("radiographs", plan=moved)
    assert len(served.session.radiographs) == kept
    assert other["ap"]["png"] == first["ap"]["png"]
    assert other["ap"]["marks"] != first["ap"]["marks"]


def test_lateral_is_seen_from_the_surgeons_side(page, toy_plan):
    x, y, z = toy_plan["docking_point_mm"]
    mirrored = {**toy_plan, "side": "right", "docking_point_mm": [-x, y, z]}
    words = [page.ask("radiographs", plan=plan)["lateral"]["left_word"] for plan in (toy_plan, mirrored)]
    assert words == ["cranial", "caudal"]


def test_sheet_is_a_page_under_a_policy_that_runs_nothing(page, served, toy_plan):
    buffer = io.BytesIO()
    Image.new("RGB", (9, 9), (10, 200, 30)).save(buffer, "png")
    url = page.ask("sheet", plan=toy_plan, task=list(NAMES), scope=url_of(buffer.getvalue()))["url"]
    given = served.get(url)
    assert given.status_code == 200
    assert given.headers["content-type"].startswith("text/html")
    assert "sandbox" in given.headers["content-security-policy"]
    words = given.content.decode()
    assert CAUTION in words
    assert "First view down the channel, from the page" in words
    assert served.get("made/" + "x" * 32).status_code == 404


def test_report_as_page_and_as_pdf(page, served, toy_plan, toy_facts, monkeypatch):
    monkeypatch.setattr("canalwise.workbench.report.facts.facts_of", lambda *_: toy_facts)
    request = {"plan": toy_plan, "task": list(NAMES)}
    html, pdf = (served.get(page.ask("report", pdf=pdf, **request)["url"]) for pdf in (False, True))
    assert html.headers["content-type"].startswith("text/html")
    assert b"canalwise rehearsal report" in html.content
    assert pdf.headers["content-type"] == "application/pdf"
    assert len(pypdf.PdfReader(io.BytesIO(pdf.content)).pages) > 5


def test_a_picture_that_is_none_is_refused(page, toy_plan):
    problem = page.refused("sheet", plan=toy_plan, task=list(NAMES), scope="data:image/png;base64,AAAA")
    assert problem["who"] == "the picture of the endoscope's view"
    assert page.refused("radiographs", plan={**toy_plan, "level": "L1-L2"})["who"]
