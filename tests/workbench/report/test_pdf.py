"""The report as PDF: the page's facts and pictures, without a browser, the same every time."""

from __future__ import annotations

import io
import subprocess
import sys
from dataclasses import replace

import pypdf
import pytest

from canalwise.recon.anatomy import Naming
from canalwise.recon.disclaimer import CAUTION
from canalwise.workbench.commands.main import main
from canalwise.workbench.console.json_results import limits_of
from canalwise.workbench.report import tables as report_facts
from canalwise.workbench.report.pdf import SECTIONS, SHORT_CAUTION, report_pdf
from canalwise.workbench.report.summary import glance
from canalwise.workbench.style.phrases import EVIDENCE


@pytest.fixture(scope="module")
def content(toy_facts):
    return report_pdf(toy_facts)


def pages_of(content):
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(io.BytesIO(content)).pages]


def test_tells_level_side_and_caution_before_any_number(content):
    first = pages_of(content)[0]
    assert "L3-L4, from the patient's LEFT" in first
    assert CAUTION in first
    assert first.index(CAUTION) < first.index("At a glance")


def test_numbers_are_those_of_the_estimate(toy_facts, content):
    words = " ".join(pages_of(content))
    for what, value, _ in glance(toy_facts.estimate):
        assert what in words
        assert value in words
    for name, task_mm3, *_ in report_facts.bone_rows(toy_facts.estimate):
        assert name in words
        assert task_mm3 in words
    for limit in limits_of(toy_facts.estimate):
        assert limit["name"] in words
        assert EVIDENCE[limit["evidence"]] in words
    for sentence in (*toy_facts.estimate["warnings"], toy_facts.comparison["conclusion"]):
        assert sentence in words
    assert "dural sac or canal (modelled)" in words


def test_holds_every_picture_of_the_page(toy_facts, content):
    images = sum(len(page.images) for page in pypdf.PdfReader(io.BytesIO(content)).pages)
    assert images == 5 + 1 + 4 + 4 + len(toy_facts.what_if.charts)  # slices, key, 3D, charts, what if


def test_every_page_says_what_it_is_of(content):
    pages = pages_of(content)
    assert len(SECTIONS) - 3 <= len(pages) <= 12
    for number, words in enumerate(pages, start=1):
        assert SHORT_CAUTION in words
        assert f"L3-L4, left {number}" in words


def test_metadata_names_the_level_and_nobody(content):
    read = pypdf.PdfReader(io.BytesIO(content))
    assert read.metadata.title == "canalwise: L3-L4, left"
    assert {read.metadata.author, read.metadata.creator} == {"canalwise"}
    assert read.trailer["/Root"]["/Lang"] == "en"
    assert read.metadata.creation_date.year == 2000  # no clock: the same case gives the same bytes


def test_same_case_same_bytes(toy_facts, content):
    assert report_pdf(toy_facts) == content


def test_what_was_said_by_others_is_no_markup(toy_facts, coarse_pictures):
    naming = Naming("given", 0.9, "<b>bold</b> & <font size=40>loud</font>", transitional=True)
    anatomy = replace(toy_facts.planned.anatomy, naming=naming)
    words = " ".join(pages_of(report_pdf(replace(toy_facts, planned=replace(toy_facts.planned, anatomy=anatomy)))))
    assert "<b>bold</b> & <font size=40>loud</font>" in words
    assert "Transitional anatomy is possible" in words


def test_command_writes_it(case, toy_facts, capsys, monkeypatch):
    monkeypatch.setattr("canalwise.workbench.report.facts.facts_of", lambda *_: toy_facts)
    assert main(["report", str(case), "--level", "L3-L4", "--side", "left", "--pdf"]) == 0
    assert "Wrote report.pdf." in capsys.readouterr().out
    assert "LEFT" in pages_of((case / "report.pdf").read_bytes())[0]
    assert not (case / "report.html").exists()


def test_letters_are_found_without_any_setting_up():
    """Each form alone, in a process that has drawn nothing yet."""
    code = (
        "from canalwise.workbench.style.pdf import text, style; print(text('\\u2212 \\u00b3 \\u2192', style(7)).text)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "\u2212 \u00b3 \u2192"
