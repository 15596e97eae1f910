"""A validation's rows pass and fail as they should, and its report holds them all."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest

from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.disclaimer import CAUTION
from canalwise.workbench.commands.main import main
from canalwise.workbench.validation import validation
from canalwise.workbench.validation.page import validation_page, verdict, write_validation
from canalwise.workbench.validation.published_resections import numbers, prepared_case
from canalwise.workbench.validation.round_trips import round_trip_rows
from canalwise.workbench.validation.rows import ValidationRow, median_row, worst_row
from canalwise.workbench.validation.validation import QUICK, ValidationScope, validation_json
from canalwise.workbench.validation.virtual_cohort import (
    DIFFERENCE,
    FROM_BOTH,
    GAINED,
    SIDE_DIFFERENCE,
    operated_spine,
)


def test_the_worst_error_decides_and_nothing_found_does_not_pass():
    assert worst_row("a", [0.4, -0.5], 0.5, "required").passed
    assert not worst_row("a", [0.4, -0.51], 0.5, "required").passed
    none = worst_row("a", [], 0.5, "required")
    assert not none.passed
    assert none.as_json()["found"] is None


def test_a_median_outside_the_published_range_is_outside():
    row = median_row("a", [1.0, math.nan, 9.0, 8.0], (2.0, 7.0), "a paper")
    assert (row.found, row.count, row.passed) == (8.0, 3, False)
    assert row.quartiles == (4.5, 8.5)
    assert verdict(row.as_json()) == "outside"


def test_labels_come_back_through_every_format():
    rows = round_trip_rows(spacing_mm=5.0)
    assert len(rows) == 4
    assert all(row.passed and row.count > 1000 for row in rows)


def test_the_command_writes_page_and_data_and_tells_failures(tmp_path, capsys, monkeypatch):
    rows = [
        replace(worst_row("reach mm", [0.9], 0.5, "required"), note="a <known> reason"),
        ValidationRow("round trip", "<SEG>", 0.0, 0.0, 0.0, 9, "map"),
    ]
    monkeypatch.setattr(validation, "validated", lambda scope, say: rows)
    argv = ["validate", "--out", str(tmp_path / "v")]
    assert main([*argv, "--json", "--strict"]) == 4
    document = json.loads(capsys.readouterr().out)
    assert json.loads((tmp_path / "v" / "validation.json").read_text()) == document
    assert (document["passed"], [r["passed"] for r in document["rows"]]) == (1, [False, True])
    page = (tmp_path / "v" / "validation.html").read_text()
    assert CAUTION in page
    assert "&lt;SEG&gt;" in page
    assert "a &lt;known&gt; reason" in page
    assert "<strong>failed</strong>" in page
    assert main(argv) == 2
    assert "--force" in capsys.readouterr().err


def test_what_is_worked_out_covers_every_kind(monkeypatch):
    steps = []
    monkeypatch.setattr(validation, "round_trip_rows", list)
    monkeypatch.setattr(validation, "errors_of", lambda case: {"reach mm": [0.1], "facet area": [0.01]})
    rows = validation.validated(ValidationScope(2, (), 0), steps.append)
    assert [row.kind for row in rows].count("published") == len(validation.PUBLISHED_RANGES)
    assert {row.quantity for row in rows if row.passed} >= {"estimate: reach mm", "estimate: facet area"}
    assert {row.quantity for row in rows} >= set(validation.KNOWN_REASONS)
    # A reason is given for the values that it explains alone: here none was found.
    assert not any(row.note for row in rows)
    # Nothing was found for the others, which therefore do not pass.
    assert not any(row.passed for row in rows if row.count == 0)
    assert steps[0].startswith("estimate 1 of 2: L3-L4")


@pytest.mark.parametrize("force", [False, True])
def test_an_empty_document_makes_a_page(tmp_path, force):
    document = validation_json([], QUICK)
    write_validation(tmp_path / "v", document, force)
    assert "0 of 0" in validation_page(document)


def test_no_spines_are_wrong_use(tmp_path, capsys):
    assert main(["validate", "--out", str(tmp_path / "v"), "--spines", "0"]) == 2
    assert "must be 1 or more" in capsys.readouterr().err
    assert not (tmp_path / "v").exists()


@pytest.fixture(scope="module")
def operations():
    return operated_spine(2, 1.5)


def test_a_spine_is_operated_from_either_side_and_from_both(operations):
    left, right, both = operations
    assert set(validation.PUBLISHED_RANGES) <= set(left) | set(both)
    assert both[DIFFERENCE] == pytest.approx(both[FROM_BOTH] - (left[GAINED] + right[GAINED]) / 2)
    assert both[SIDE_DIFFERENCE] == pytest.approx(left[GAINED] - right[GAINED])
    # a made-up spine is the same on both sides, and each half frees its own
    assert abs(both[DIFFERENCE]) < 0.1 * left[GAINED]
    assert left["near lamina taken, %"] > left["far lamina taken, %"]


def test_executions_differ_from_the_plan_and_are_the_same_again(operations):
    prepared = prepared_case(2, 1.5)
    planned = decompressed(prepared, default_approach(prepared.anatomy, prepared.level.name, "left"))
    assert numbers(planned)["bone, mm3"] != operations[0]["bone, mm3"]
    assert operated_spine(2, 1.5) == operations
