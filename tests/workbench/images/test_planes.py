"""Cuts: left is where the page says it is, and a linear volume is read exactly."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.recon.anatomy import Frame
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Grid
from canalwise.workbench.images.planes import PlaneCut, cut_of, sampled
from tests.workbench import toy


@pytest.fixture
def oblique():
    turn = np.radians(25.0)
    axes = np.array([[np.cos(turn), np.sin(turn), 0], [-np.sin(turn), np.cos(turn), 0], [0, 0, 1.0]])
    return Frame(np.array([3.0, -4.0, 7.0]), axes)


def test_a_linear_volume_is_read_exactly_on_an_oblique_cut(oblique):
    affine = np.diag([0.7, 0.9, 1.3, 1.0])
    affine[:3, 3] = -20.0
    grid = Grid((60, 50, 45), affine)
    slope = np.array([2.0, -3.0, 0.5])
    volume = grid.voxel_centres_mm() @ slope
    cut = PlaneCut("coronal", (1.0, 2.0, 3.0), 12.0, 9.0, 0.5)
    world = oblique.to_world_mm(cut.level_mm())
    assert np.allclose(cut_of(volume, grid, cut, oblique), world @ slope, atol=1e-4)


def test_beyond_the_grid_is_the_value_outside():
    grid = Grid((3, 3, 3), np.eye(4))
    assert sampled(np.ones((3, 3, 3)), grid, np.array([[50.0, 0, 0], [1, 1, 1]]), outside=-9.0).tolist() == [-9.0, 1.0]


@pytest.mark.parametrize(
    ("kind", "level_mm", "page"),
    [
        ("axial", (10, 0, 0), (-10, 0)),  # the patient's left is on the page's left
        ("axial", (0, 10, 0), (0, 10)),  # dorsal is up
        ("coronal", (10, 0, 0), (-10, 0)),
        ("coronal", (0, 0, 10), (0, 10)),  # cranial is up
        ("sagittal", (0, 10, 0), (10, 0)),  # dorsal is to the right
        ("sagittal", (0, 0, 10), (0, 10)),
    ],
)
def test_directions_on_the_page(kind, level_mm, page):
    assert PlaneCut(kind, (0.0, 0.0, 0.0)).on_page_mm(level_mm).tolist() == list(page)


def test_page_and_samples_agree():
    cut = PlaneCut("axial", (1.0, 2.0, 3.0), 4.0, 6.0, 1.0)
    columns, rows = cut.steps_mm
    page = cut.on_page_mm(cut.level_mm())
    assert np.allclose(page[..., 0], columns[None, :])
    assert np.allclose(page[..., 1], rows[:, None])


def test_the_left_lamina_is_drawn_on_the_left():
    left = toy.labels() == 2206  # L3 lamina left
    shown = cut_of(left, toy.grid(), PlaneCut("axial", (0.0, 12.0, 15.0)), toy.frame())
    middle = shown.shape[1] // 2
    assert shown[:, :middle].sum() > 0
    assert shown[:, middle + 1 :].sum() == 0


def test_unknown_kind_is_refused():
    with pytest.raises(WrongUse, match="axial, sagittal, coronal"):
        PlaneCut("oblique", (0.0, 0.0, 0.0))
