"""Every example runs on a small phantom, says something of its subject, and stays short enough to copy."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest

import canalwise as cw
from canalwise.estimator.removal.reach import ALL_TOUCHED
from canalwise.workbench.teaching.placeholders import CAUSES
from tests.workbench import toy

FOLDER = Path(__file__).resolve().parents[1] / "examples"
NAMES = ("build_and_measure", "rehearse_an_approach", "search", "compare", "custom_lesson")

MOST_LINES = 39
COARSE_MM = 2.0
"""Voxels of the phantom: coarse, so that it is read in seconds."""

BUDGET = 120
"""Approaches that are searched: enough to run through every stage, not to find much."""


def example(name: str) -> ModuleType:
    """One of the scripts as a module."""
    spec = importlib.util.spec_from_file_location(f"example_{name}", FOLDER / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_all_examples_are_tried():
    assert {path.stem for path in FOLDER.glob("*.py")} == set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_examples_are_short_and_use_the_public_package(name):
    text = (FOLDER / f"{name}.py").read_text()
    assert len(text.splitlines()) <= MOST_LINES
    assert "import canalwise as cw" in text
    imported = set(re.findall(r"^(?:import|from) ([\w.]+)", text, flags=re.M))
    assert all(other.split(".")[0] in ("__future__", "dataclasses", "typing", "canalwise") for other in imported)


def test_build_and_measure(capsys):
    anatomy = example("build_and_measure").main(COARSE_MM)
    said = capsys.readouterr().out
    assert "L3-L4" in [level.name for level in anatomy.levels]
    assert "canal mid-sagittal diameter" in said
    assert cw.CAUTION in said


def test_rehearse_an_approach(capsys):
    usual, steeper = example("rehearse_an_approach").main(toy.anatomy())
    tilts = [found.value.approach.phases[-1].medial_tilt_deg for found in (usual, steeper)]
    assert tilts[1] == pytest.approx(tilts[0] + 4.0)
    assert usual.to_json()["cone"] != steeper.to_json()["cone"]
    assert capsys.readouterr().out.count("limits broken") == 2


def test_search(capsys):
    found = example("search").main(toy.pressed_anatomy(), BUDGET)
    assert 0 < found["evaluated"] <= 2 * BUDGET
    assert found["reason"] in capsys.readouterr().out


def test_compare(capsys):
    found = example("compare").main(toy.pressed_anatomy(), BUDGET)
    assert [row["name"] for row in found["rows"]]
    assert found["conclusion"] in capsys.readouterr().out


def test_custom_lesson(capsys):
    question = example("custom_lesson").main(toy.anatomy())
    assert question.correct in (*CAUSES.values(), CAUSES[ALL_TOUCHED])
    assert question.correct in question.choices
    assert "{" not in capsys.readouterr().out
