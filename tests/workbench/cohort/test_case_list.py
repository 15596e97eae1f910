"""The list: what is refused as a whole, what fails one line."""

from __future__ import annotations

from pathlib import Path

import pytest

from canalwise.recon.errors import BadFile, WrongUse
from canalwise.workbench.cohort.case_list import CaseLine, RefusedLine, lines_of, read_list

HERE = Path("folder")


def test_paths_are_relative_to_the_list(tmp_path):
    (tmp_path / "list.csv").write_text("\ufeffcase;scan;labels\na;x/ct.nii.gz;l 1.nii|l 2.nii\n\n", encoding="utf-8")
    (line,) = read_list(tmp_path / "list.csv")
    assert isinstance(line, CaseLine)
    assert line.scan == tmp_path / "x" / "ct.nii.gz"
    assert [path.name for path in line.labels] == ["l 1.nii", "l 2.nii"]


@pytest.mark.parametrize(
    ("text", "word"),
    [
        (["case,scan,surname", "a,b,c"], "patient, surgeon"),
        (["case", "a"], "case and scan"),
        (["case,scan", "a,b", "A,c"], "once"),
        (["case,scan", "../a,b"], "line 2"),
        (["case,scan", "Doe John,b"], "line 2"),
    ],
)
def test_a_list_that_cannot_be_trusted_is_refused(text, word):
    with pytest.raises(WrongUse, match=word):
        lines_of(text, HERE)


def test_a_list_without_lines_is_refused(tmp_path):
    with pytest.raises(BadFile, match="head alone"):
        lines_of(["case,scan"], HERE)
    with pytest.raises(BadFile, match="existing"):
        read_list(tmp_path / "none.csv")


@pytest.mark.parametrize(
    ("head", "row", "word"),
    [
        ("level,side", "L3-L5,left", "neighbours"),
        ("level,side", "L3-L4,up", "left, right"),
        ("level,side", "L3-L4,", "search"),
        ("plan,side", "p.toml,left", "without level and side"),
        ("label_names", "n.toml", "label maps"),
        ("levels", "L3 L77", "L77"),
        ("accept_thick", "perhaps", "no, yes"),
        ("order", "2021-03-04", "no date"),
        ("patient", "19610304", "no date"),
        ("surgeon", "Dr Doe", "no name"),
        ("post", "a,b", "fields"),
    ],
)
def test_a_line_that_cannot_mean_anything_fails_alone(head, row, word):
    good, bad = lines_of([f"case,scan,{head}", "a,a.nii", f"b,b.nii,{row}"], HERE)
    assert isinstance(good, CaseLine)
    assert isinstance(bad, RefusedLine)
    assert word in str(bad.error)


def test_an_ordinal_that_is_a_name_is_not_repeated():
    (line,) = lines_of(["case,scan,surgeon", "a,a.nii,Doe"], HERE)
    assert "Doe" not in str(line.error)
