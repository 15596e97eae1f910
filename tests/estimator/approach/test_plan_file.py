"""Diseases of a plan on disk: absurd places, other encodings, nesting, endless numbers; each a refusal."""

from __future__ import annotations

import math

import pytest

from canalwise.estimator.approach.approach import DEEPEST_MM, FARTHEST_MM, MOST_PHASES, Phase
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.approach.plan_file import kept_plan_of, plan_of, plan_text, read_plan
from canalwise.recon.errors import BadFile, WrongUse
from canalwise.recon.text_files import toml_data
from tests.estimator.approach.test_approach import an_approach

ABSURD = [FARTHEST_MM * 1.01, -1e7, 1e9, 1e300, -math.inf, math.nan]


@pytest.mark.parametrize("mm", ABSURD)
def test_docking_point_at_an_absurd_place(mm):
    with pytest.raises(WrongUse, match=r"'docking_point_mm' must be three numbers in \[-80, 80\]"):
        an_approach(docking_point_mm=(8.0, mm, 0.0))


@pytest.mark.parametrize("mm", ABSURD)
def test_pivot_shifted_to_an_absurd_place(mm):
    with pytest.raises(WrongUse, match=r"'pivot_shift_mm' must be three numbers in \[-80, 80\]"):
        Phase("ipsilateral", 0.0, pivot_shift_mm=(0.0, 0.0, mm))


@pytest.mark.parametrize("name", ["sleeve_past_lamina_mm", "tip_past_lamina_mm"])
@pytest.mark.parametrize("mm", [DEEPEST_MM + 1, -1e9, 1e300, math.nan])
def test_depth_beyond_any_patient(name, mm):
    with pytest.raises(WrongUse, match=f"'{name}' must be in"):
        Phase("ipsilateral", 0.0, **{name: mm})


def test_bounds_themselves_are_allowed():
    edge = (FARTHEST_MM, -FARTHEST_MM, FARTHEST_MM)
    phase = Phase("ipsilateral", 0.0, sleeve_past_lamina_mm=-DEEPEST_MM, pivot_shift_mm=edge)
    assert an_approach(docking_point_mm=edge, phases=(phase,)).docking_point_mm == edge


def test_more_phases_than_any_operation_has():
    with pytest.raises(WrongUse, match="1 to 8 phases"):
        an_approach(phases=(Phase("ipsilateral", 0.0),) * (MOST_PHASES + 1))


@pytest.mark.parametrize("name", ["", "x" * 65, "a\x1b[2J", "two\nlines"])
def test_phase_name_that_cannot_be_shown(name):
    with pytest.raises(WrongUse, match="printable"):
        Phase(name, 0.0)


@pytest.mark.parametrize("mm", [-0.0, 0.0, -1.0, 31.0, 1e300, math.nan])
def test_tool_of_no_width_or_of_an_absurd_one(mm):
    with pytest.raises(WrongUse, match=r"'tool_diameter_mm' must be in \(0, 30\]"):
        Channel(tool_diameter_mm=mm)


@pytest.mark.parametrize(("wrong", "reported"), [
    ("docking_point_mm = [1e300, 0.0, 0.0]", r"'docking_point_mm' must be three numbers"),
    ("docking_point_mm = [8.0, 0.0]", "docking_point_mm"),
    (f"docking_point_mm = [{'9' * 5000}, 0.0, 0.0]", "a number or date that cannot be"),
    (f"docking_point_mm = [{'9' * 400}, 0.0, 0.0]", "docking_point_mm"),
    ("docking_point_mm = " + "[" * 5000, "nested too deep"),
    ("docking_point_mm" + ".a" * 400 + " = 1.0", "docking_point_mm"),
    ("docking_point_mm" + ".a" * 5000 + " = 1.0", "nested too deep"),
    ("[docking_point_mm" + ".a" * 300_000 + "]", "nested too deep"),
    ("docking_point_mm = '8, 0, 0'", "must be a number"),
])  # fmt: skip
def test_absurd_number_in_a_plan_file(wrong, reported):
    lines = plan_text(an_approach(docking_point_mm=(-8.0, 15.0, -2.0))).partition("docking_point_mm")
    rest = lines[2].partition("]")[2]
    with pytest.raises(BadFile, match=reported) as refusal:
        plan_of(f"{lines[0]}{wrong}{rest}")
    assert len(str(refusal.value)) < 2000


def test_a_long_list_of_numbers_is_no_deep_name():
    assert toml_data("x = [\n" + "1.0, " * 2000 + "\n]", "the plan") == {"x": [1.0] * 2000}


def test_schema_that_is_a_table_of_tables():
    with pytest.raises(BadFile, match="must carry the schema"):
        plan_of("schema" + ".a" * 400 + " = 1")


def test_plan_not_in_utf_8(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_bytes(b"# R\xfcckenlage\n" + plan_text(an_approach()).encode())
    with pytest.raises(BadFile, match=r"text in UTF-8 \(got 'another encoding at line 1'\)\. Save it again as UTF-8"):
        read_plan(path)


def test_plan_with_the_mark_some_editors_write(tmp_path):
    (tmp_path / "plan.toml").write_bytes(b"\xef\xbb\xbf" + plan_text(an_approach()).encode())
    assert read_plan(tmp_path / "plan.toml") == an_approach()


def test_checksum_of_the_anatomy_comes_back_and_may_be_missing():
    assert kept_plan_of(plan_text(an_approach(), "ab" * 32)).anatomy_sha256 == "ab" * 32
    assert kept_plan_of(plan_text(an_approach())).anatomy_sha256 == ""
    with pytest.raises(BadFile, match="anatomy_sha256"):
        plan_of(plan_text(an_approach()).replace("\nlevel", "\nanatomy_sha256 = 3\nlevel"))
