"""The theatre sheet: one page, whole in itself, with level and side in front, on screen and as PDF."""

from __future__ import annotations

import html
import io
import re
from dataclasses import replace
from functools import cache

import pypdf
import pytest
from PIL import Image

from canalwise.estimator.estimate.estimate import estimate_of
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.disclaimer import CAUTION
from canalwise.workbench.commands.main import main
from canalwise.workbench.console.json_results import UNJUDGED, limits_of
from canalwise.workbench.images.radiograph_projection import FROM_MR
from canalwise.workbench.report.summary import glance, outcome_words
from canalwise.workbench.sheet import sheet as theatre_sheet
from canalwise.workbench.sheet.pdf import sheet_pdf
from canalwise.workbench.sheet.sheet import sheet_html, sheet_of
from canalwise.workbench.sheet.tables import CONFIRM, WARNING_CHARACTERS, warning_sentences
from tests.workbench import toy


@cache
def found(side="left"):
    """The usual start from a side; nothing of a sheet changes it."""
    return estimate_of(prepared_level(toy.anatomy(), "L3-L4"), default_approach(toy.anatomy(), "L3-L4", side))


def found_anew():
    return found.__wrapped__()


def crowded(made):
    """A sheet as full as it gets: long warnings, every limit breached within error."""
    limits = [{**v, "met": False, "within_error": True} for v in limits_of(made.estimate)]
    resection = {**made.estimate["resection"], "limits": limits} if made.estimate["resection"] else None
    warnings = ["The dural sac was not seen. " * 7, "Voxels are 1.50 mm long where the joint is 1.03 mm wide. " * 6]
    return replace(made, estimate={**made.estimate, "verdicts": limits, "resection": resection, "warnings": warnings})


@pytest.fixture(scope="module")
def made():
    """The sheet from the left, without a picture of the view."""
    return sheet_of(toy.scan(), found())


def words_of(page):
    return " ".join(html.unescape(re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.S)).split())


def words_of_pdf(content):
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(content)).pages).split())


def numbers_of(sheet):
    """What must stand on every form of the sheet."""
    entry = sheet.estimate["skin_entry"]
    return [f"{abs(entry['lateral_mm']):.0f} mm left", f"{entry['depth_mm']:.0f} mm",
            *(value for _, value, _ in glance(sheet.estimate)), outcome_words(sheet.estimate),
            *(v["name"] for v in limits_of(sheet.estimate))]  # fmt: skip


@pytest.mark.parametrize("form", ["page", "pdf"])
def test_every_form_tells_the_same(made, form):
    reported = words_of(sheet_html(made)) if form == "page" else words_of_pdf(sheet_pdf(made))
    assert "left" in reported.lower()
    for words in (CAUTION, *CONFIRM, *numbers_of(made), "over the top", "straight ventral"):
        assert words in reported
    for sentence in warning_sentences(made.planned, made.estimate):  # those beyond the room are counted
        assert sentence in reported
    assert UNJUDGED in reported  # the toy has no ligament
    assert "modelled" in reported  # the toy's sac was not seen


def test_side_is_the_largest_word_with_the_level(made):
    page = sheet_html(made)
    assert re.search(r"<h1>L3-L4 <strong>left</strong>", page)
    other = sheet_html(sheet_of(toy.scan(), found("right")))
    assert re.search(r"<h1>L3-L4 <strong>right</strong>", other)


def test_page_needs_no_other_file(made):
    page = sheet_html(made)
    addresses = re.findall(r'(?:src|href|data|action)="([^"]*)"', page)
    assert len(addresses) == 4
    assert all(address.startswith("data:image/png;base64,") for address in addresses)
    assert not re.search(r"https?://|@import|url\(|<script", re.sub(r'src="data:[^"]+"', "", page))
    assert re.findall(r'alt="([^"]+)"', page) == [picture.caption for picture in made.pictures]


def test_the_view_that_a_page_gives_stands_on_it_and_a_clock_without(made):
    buffer = io.BytesIO()
    Image.new("RGB", (40, 40), (200, 30, 30)).save(buffer, format="png")
    shown = sheet_of(toy.scan(), found(), buffer.getvalue())
    assert shown.pictures[-1].png == buffer.getvalue()
    assert shown.pictures[-1].caption == "First view down the channel, from the page"
    assert made.pictures[-1].caption == "First view down the channel, as a clock"
    assert made.pictures[:3] == shown.pictures[:3]


def test_clock_tells_the_hours_of_the_docking_clock(monkeypatch):
    hours = {"window centre": 0.0, "upper lamina": 9.0, "facet joint": 6.5, "lower lamina": 3.0}
    monkeypatch.setattr(theatre_sheet, "docking_clock", lambda *_: hours)
    drawn = theatre_sheet._clock(sheet_of(toy.scan(), found()).planned).axes[0]
    reported = {" ".join(text.get_text().split()): text.get_position() for text in drawn.texts}
    assert reported["upper lamina 9 o'clock"] == pytest.approx((-0.56, 0.0))
    assert reported["lower lamina 3 o'clock"] == pytest.approx((0.56, 0.0))
    assert "facet joint half past 6" in reported
    # from the left, 12 o'clock points across to the patient's right, and the head is at 9
    assert reported["patient's RIGHT"][1] > 0.8
    assert reported["cranial"][0] < -0.8


def test_a_breach_is_said_loudly(made):
    bad = {**made.estimate, "verdicts": [{**v, "met": False} for v in made.estimate["verdicts"]]}
    page = sheet_html(replace(made, estimate=bad))
    assert page.count('<td class="loud">BREACHED') == len(bad["verdicts"])
    assert "Limits BREACHED" in page
    assert "Limits BREACHED" in words_of_pdf(sheet_pdf(replace(made, estimate=bad)))


def test_warnings_beyond_the_room_are_counted_not_dropped_in_silence(made):
    long = [f"Warning {n}: " + "x" * 200 for n in range(6)]
    reported = warning_sentences(made.planned, {**made.estimate, "warnings": long})
    assert sum(map(len, reported[:-1])) <= WARNING_CHARACTERS
    assert reported[-1] == f"{7 - len(reported[:-1])} more in the report: read them."


def test_an_mr_says_that_it_is_no_radiograph():
    sheet = sheet_of(replace(toy.scan(), modality="MR"), found())
    assert words_of(sheet_html(sheet)).count(FROM_MR) == 2
    assert "NOT a radiograph" in words_of_pdf(sheet_pdf(sheet))


def test_pdf_is_one_page_without_identity_the_same_every_time(made):
    content = sheet_pdf(made)
    read = pypdf.PdfReader(io.BytesIO(content))
    assert len(read.pages) == 1
    assert read.metadata.title == "canalwise theatre sheet: L3-L4, left"
    assert {read.metadata.author, read.metadata.creator} == {"canalwise"}
    assert read.trailer["/Root"]["/Lang"] == "en"
    assert [float(v) for v in read.pages[0].mediabox[2:]] == pytest.approx([595.28, 841.89], abs=0.01)
    assert len(read.pages[0].images) == 4
    again = sheet_of(toy.scan(), found_anew())
    assert content == sheet_pdf(again)
    assert sheet_html(made) == sheet_html(again)


def test_pdf_keeps_within_its_page_when_full(made):
    """The last words stand above the lower margin."""
    lowest = []
    page = pypdf.PdfReader(io.BytesIO(sheet_pdf(crowded(made)))).pages[0]

    def heard(words, cm, tm, *_):
        if words.strip():
            lowest.append(tm[5] * cm[3] + cm[5])

    page.extract_text(visitor_text=heard)
    assert len(lowest) > 50
    assert min(lowest) > 20


def test_command_writes_page_and_pdf(case, capsys):
    assert main(["sheet", str(case), "--level", "L3-L4", "--side", "left"]) == 0
    assert "Wrote sheet.html." in capsys.readouterr().out
    assert "L3-L4" in (case / "sheet.html").read_text(encoding="utf-8")
    arguments = ["--level", "L3-L4", "--side", "right", "--out", str(case / "s.pdf"), "--json"]
    assert main(["sheet", str(case), *arguments]) == 0
    assert '"side": "right"' in capsys.readouterr().out
    assert "RIGHT" in words_of_pdf((case / "s.pdf").read_bytes())


def test_a_side_without_window_or_edges_has_no_view(monkeypatch):
    monkeypatch.setattr(theatre_sheet, "canal_entry_of", lambda *_: None)
    sheet = sheet_of(toy.scan(), found())
    assert len(sheet.pictures) == 3
    assert len(pypdf.PdfReader(io.BytesIO(sheet_pdf(sheet))).pages) == 1
