"""The page: needs nothing else, says what must be said, and is the same every time."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.anatomy import Confidence, Correction, Naming, Reason, StructureConfidence
from canalwise.recon.disclaimer import CAUTION
from canalwise.workbench.commands.main import main
from canalwise.workbench.images.planned_case import PlannedCase, PlannedRemoval
from canalwise.workbench.images.slices import cuts_to_look_at
from canalwise.workbench.report.picture import ReportPicture
from canalwise.workbench.report.pictures import PlanPictures, plan_pictures
from canalwise.workbench.report.report import page, page_of, report_of
from canalwise.workbench.report.summary import glance, limits_sentence, outcome_words
from tests.workbench import toy

VOID = {"meta", "img", "link", "br", "hr", "input"}


class Outline(HTMLParser):
    """Tags that stay open, and every attribute that could name another file."""

    def __init__(self):
        super().__init__()
        self.open, self.addresses, self.images = [], [], []

    def handle_starttag(self, tag, attrs):
        named = dict(attrs)
        self.addresses += [named[key] for key in ("src", "href", "data", "action") if key in named]
        if tag == "img":
            self.images.append(named)
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@pytest.fixture(scope="module")
def outline(toy_report):
    parsed = Outline()
    parsed.feed(toy_report.html)
    return parsed


def words_of(report):
    return " ".join(html.unescape(re.sub(r"<style>.*?</style>|<[^>]+>", " ", report.html, flags=re.S)).split())


def test_needs_no_other_file(toy_report, outline):
    assert outline.open == []
    assert outline.addresses
    assert all(address.startswith("data:image/") for address in outline.addresses)
    markup = re.sub(r"<script[^>]*>.*?</script>", "", toy_report.html, flags=re.S)
    assert not re.search(r"https?://|@import|url\(|<script", re.sub(r'src="data:[^"]+"', "", markup))


def test_every_picture_is_described_in_words(outline):
    assert len(outline.images) == 5 + 1 + 4 + 4 + 3  # slices, key, 3D, charts, what if
    assert all(image["alt"] for image in outline.images)


def test_caution_stands_before_the_first_number(toy_report):
    text = words_of(toy_report)
    assert CAUTION in text
    assert text.index(CAUTION) < text.index("At a glance")


def test_numbers_are_those_of_the_estimate(toy_report):
    text = words_of(toy_report)
    assert all(value in text for _, value, _ in glance(toy_report.estimate))
    assert outcome_words(toy_report.estimate) in text
    assert f"{toy_report.estimate['contralateral_reach']['lateral_mm']:.1f} mm from the midline" in text
    for sentence in toy_report.estimate["warnings"]:
        assert sentence in text
    for verdict in toy_report.estimate["verdicts"]:
        assert verdict["source"] in text


def test_says_side_level_and_source_of_the_sac(toy_report):
    text = words_of(toy_report)
    assert "L3-L4, from the patient's left" in text
    assert "Blue: dural sac (modelled)" in text


def test_same_case_same_bytes(toy_report, coarse_pictures):
    again = report_of(toy.scan(), toy.pressed_anatomy(), default_approach(toy.pressed_anatomy(), "L3-L4", "left"))
    assert again.html == toy_report.html


def test_text_from_outside_is_escaped(toy_report, coarse_pictures, monkeypatch):
    monkeypatch.setattr("canalwise.workbench.report.report.charts", lambda *_: NO_CHARTS)
    scan = replace(toy.scan(), provenance={"format": "<script>alert(1)</script>"})
    made = page(planned(scan), toy_report.estimate, toy_report.comparison, NO_PICTURES)
    assert "<script>" not in made
    assert "&lt;script&gt;" in made


def test_breached_limit_is_said_in_words_at_the_head(toy_report, monkeypatch):
    monkeypatch.setattr("canalwise.workbench.report.report.charts", lambda *_: NO_CHARTS)
    estimate = toy_report.estimate
    broken = {**estimate["verdict"], "kept": False, "sentence": "Frees 98 % of what presses; breaks a limit"}
    judged = page(planned(toy.scan()), {**estimate, "verdict": broken}, toy_report.comparison, NO_PICTURES)
    assert 0 < judged.index("FREED, NOT KEPT") < judged.index("The plan")
    assert 0 < judged.index("breaks a limit") < judged.index("The plan")
    breached = [{**v, "met": False} for v in estimate["verdicts"]]
    unjudged = {**estimate, "verdict": None, "resection": None, "freed": None, "verdicts": breached}
    made = page(planned(toy.scan()), unjudged, toy_report.comparison, NO_PICTURES)
    assert 0 < made.index("Limits BREACHED") < made.index("The plan")


@pytest.mark.parametrize("missing", ["ipsilateral_reach", "contralateral_reach"])
def test_a_side_without_targets_is_said_not_guessed(toy_report, monkeypatch, missing):
    monkeypatch.setattr("canalwise.workbench.report.report.charts", lambda *_: NO_CHARTS)
    made = page(planned(toy.scan()), {**toy_report.estimate, missing: None}, toy_report.comparison, NO_PICTURES)
    assert "not known" in made


def test_a_measured_band_worse_than_normal_is_named_early(toy_report):
    text = words_of(toy_report)
    assert "mid-sagittal diameter 9.4 mm: absolute stenosis" in text
    assert text.index("absolute stenosis") < text.index("The plan")


def test_limits_sentence_counts_what_was_not_measured():
    verdicts = [{"name": "pars", "met": None}, {"name": "undercut", "met": True}]
    assert limits_sentence({"verdicts": verdicts}).endswith("Not measured: pars.")


def test_report_verb_writes_the_page_and_uses_the_kept_plan(case, toy_facts, capsys, monkeypatch):
    def facts_of(scan, anatomy, approach, *_):
        return replace(toy_facts, planned=replace(toy_facts.planned, approach=approach))

    monkeypatch.setattr("canalwise.workbench.report.facts.facts_of", facts_of)
    start = ["--level", "L3-L4", "--side", "left"]
    assert main(["estimate", str(case), *start, "--sleeve-diameter-mm", "8.5", "--no-intervals"]) == 0
    assert main(["report", str(case), *start]) == 0
    assert "sleeve 8.5 mm" in (case / "report.html").read_text()
    assert not [path for path in case.iterdir() if path.name.startswith(".writing")]


def test_report_that_fails_leaves_no_page(case, toy_facts, monkeypatch):
    def stop(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("canalwise.workbench.report.facts.facts_of", lambda *_: toy_facts)
    monkeypatch.setattr("canalwise.workbench.report.report.charts", stop)
    assert main(["report", str(case), "--level", "L3-L4", "--side", "left"]) == 130
    assert not list(case.glob("*.html"))


def planned(scan):
    nothing = np.zeros(toy.SHAPE, np.float32)
    anatomy = toy.anatomy()
    return PlannedCase(
        scan,
        anatomy,
        anatomy.levels[0],
        default_approach(anatomy, "L3-L4", "left"),
        PlannedRemoval(anatomy.grid, nothing, nothing),
    )


BLANK = ReportPicture("data:image/png;base64,", "blank")
NO_PICTURES = PlanPictures([BLANK] * 5, BLANK, [], [], [BLANK] * 4)
NO_CHARTS = {"bone": BLANK, "facets": BLANK, "compare": BLANK}


def test_error_bars_are_shown_when_there_are_any(toy_report):
    estimate = {**toy_report.estimate, "resection": None, "freed": None}
    assert "95 %" in " ".join(remark for _, _, remark in glance(estimate))
    bare = {"contralateral_reach": {**estimate["contralateral_reach"], "interval95": None}}
    assert not glance({**estimate, **bare})[4][2].startswith("95 %")
    reach = {**toy_report.estimate["contralateral_reach"], "interval95": [7.0, 9.5]}
    kept = {**toy_report.estimate["facet_preserved"]["ipsilateral"], "interval95": [0.61, 0.8]}
    barred = {**estimate, "contralateral_reach": reach, "facet_preserved": {"ipsilateral": kept}}
    remarks = [remark for _, _, remark in glance(barred)]
    assert remarks[2].startswith("95 %: 61\u201380 %; ")
    assert remarks[4].startswith("95 %: 7.0\u20139.5 mm; ")
    assert remarks[3] == "no joint in view on this side"


def unsure_anatomy():
    """The toy with a joint that cannot be seen, a name that may be wrong and a sac that a person drew."""
    whole = toy.anatomy()
    reasons = (Reason("joint gap left", 0.2, "the left gap is not seen"), Reason("labels", 0.8, "found automatically"))
    parts = (StructureConfidence("L3 lamina left", 0.7, 0.21, ()), StructureConfidence("canal", 0.9, 0.1, ()))
    level = replace(whole.levels[0], confidence=Confidence(0.2, True, reasons, parts))
    return replace(
        whole,
        levels=(level,),
        naming=Naming("ribs", 0.4, "counted from the ribs", True),
        corrections=(Correction("replaced", "sac", "ab" * 32),),
    )


def test_a_level_to_check_by_eye_is_shown_with_its_slices(toy_facts, toy_report):
    anatomy = unsure_anatomy()
    unsure = replace(toy_facts.planned, anatomy=anatomy, level=anatomy.levels[0])
    report = replace(toy_report, html=page_of(replace(toy_facts, planned=unsure, pictures=plan_pictures(unsure))))
    text = words_of(report)
    assert "CHECK BY EYE: confidence 0.20 of 1." in text
    assert text.index("The left gap is not seen.") < text.index("Whole sweep (cone)")
    assert "Corrected: sac was replaced by a label map (sha256 abababababab...)." in text
    assert "Transitional anatomy is possible" in text
    assert "L3 lamina left" in text
    wanted = cuts_to_look_at(anatomy.levels[0])
    assert {"Axial, middle of the joints", "Sagittal, left joint", "Sagittal, right joint"} <= set(wanted)
    captions = [f">{caption}{bare}</figcaption>" for caption in wanted for bare in ("", ", bare")]
    assert all(caption in report.html for caption in captions)


def test_a_sure_level_shows_no_slices_to_look_at(coarse_pictures, toy_report):
    assert "Look at these slices" not in words_of(toy_report)
    assert "Not judged." in words_of(toy_report)
