"""The demonstration: the whole job, all of it or nothing."""

from __future__ import annotations

import json
from functools import partial

import numpy as np
import pytest

from canalwise.phantoms.spec import demo_spec
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labels import vertebrae_in
from canalwise.workbench import demonstration
from canalwise.workbench.commands.main import main
from tests.workbench import toy


@pytest.fixture
def toy_phantom(monkeypatch, coarse_pictures):
    """The demonstration on the toy segment in place of the rendered spine."""
    # pressed: without a ligament that presses on the sac there are no accesses to compare
    given = GivenLabels(toy.pressed_anatomy().labels, demonstration.ALL_GIVEN)
    monkeypatch.setattr(demonstration, "phantom_case", lambda *_: (toy.scan(), given))
    monkeypatch.setattr(demonstration, "anatomy_of", lambda *_, **__: toy.pressed_anatomy())


def files_in(folder):
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_demo_leaves_a_whole_case_and_prints_its_estimate(toy_phantom, tmp_path, capsys):
    out = tmp_path / "demo"
    assert main(["demo", "--out", str(out), "--json"]) == 0
    reported = capsys.readouterr()
    assert reported.err == ""
    made = files_in(out)
    assert made["results/L3-L4-left.json"].decode() == reported.out
    assert {"case.json", "report.html", "plans/L3-L4-left.toml", "results/compare-L3-L4.json"} <= set(made)
    assert json.loads(made["results/compare-L3-L4.json"])["rows"][0]["name"] == "left"
    assert main(["demo", "--out", str(out)]) == 2


@pytest.mark.thorough
def test_demo_is_the_same_bytes_again(toy_phantom, tmp_path):
    """The report's and the case's own tests say so of each part."""
    made, again = (tmp_path / name for name in ("made", "again"))
    assert [main(["demo", "--out", str(folder), "--side", "left"]) for folder in (made, again)] == [0, 0]
    assert files_in(made) == files_in(again)


def test_demo_that_fails_leaves_no_folder(toy_phantom, tmp_path, capsys, monkeypatch):
    def stop(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(demonstration, "report_of", stop)
    assert main(["demo", "--out", str(tmp_path / "demo")]) == 130
    assert list(tmp_path.iterdir()) == []


def test_demo_refuses_a_level_the_phantom_lacks(tmp_path, capsys):
    assert main(["demo", "--out", str(tmp_path / "demo"), "--level", "L3-L5"]) == 2
    assert "L3-L4" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_phantom_case_is_a_ct_with_all_its_labels(monkeypatch):
    # a slab about the midline has all that is needed, in a third of the time
    monkeypatch.setattr(demonstration, "natural_grid", partial(demonstration.natural_grid, half_width_mm=16.0))
    scan, given = demonstration.phantom_case(demo_spec(), "L3-L4", 6.0)
    assert scan.modality == "CT"
    assert scan.voxels.shape == given.labels.shape
    assert {"L3", "L4"} <= set(vertebrae_in(given.labels))
    assert scan.voxels.min() < -900  # air behind the skin
    assert np.median(scan.voxels[given.labels % 100 == 1]) > 50
    assert "made-up" in given.warnings[0]
