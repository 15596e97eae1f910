"""Slices: what is drawn on them, read back from the figure."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.colors import to_hex

from canalwise.estimator.approach.approach import Approach, Phase, axis_level
from canalwise.recon.modality import BONE_WINDOW_HU
from canalwise.recon.scan import Scan
from canalwise.workbench.images.planned_case import PlannedCase, PlannedRemoval
from canalwise.workbench.images.slices import along_channel, cuts_of, key_figure, slice_figure
from canalwise.workbench.style.palette import REMOVED, phase_colour
from tests.workbench import toy


@pytest.fixture
def planned():
    anatomy = toy.anatomy()
    approach = Approach(
        "L3-L4", "left", (8.0, 12.0, 4.0), 50.0, (Phase("ipsilateral", 0.0), Phase("over the top", 20.0))
    )
    share = (toy.labels() == 2206).astype(np.float32)
    return PlannedCase(toy.scan(), anatomy, anatomy.levels[0], approach, PlannedRemoval(anatomy.grid, share, share))


@pytest.mark.parametrize(
    ("side", "medial_deg", "cranial_deg"), [("left", 0.0, 0.0), ("left", -12.0, 20.0), ("right", 25.0, -31.0)]
)
def test_the_first_axis_lies_in_the_cut_along_the_channel(side, medial_deg, cranial_deg):
    approach = Approach("L3-L4", side, (6.0, 17.0, -5.0), 50.0, (Phase("ipsilateral", medial_deg, cranial_deg),))
    cut = along_channel(approach)
    dock, axis = np.array(approach.docking_point_mm), axis_level(side, medial_deg, cranial_deg)
    across, upward = cut.directions
    for point in (dock - 50 * axis, dock, dock + 20 * axis):
        assert abs((point - np.array(cut.centre_level_mm)) @ np.cross(across, upward)) < 1e-9


def drawn(figure, colour):
    """(N, 2) page points of all lines and fills of one colour."""
    axes = figure.axes[0]
    paths = [
        path.vertices
        for c in axes.collections
        for path in c.get_paths()
        if {to_hex(v) for v in (*c.get_edgecolor(), *c.get_facecolor())} & {colour}
    ]
    return np.concatenate(paths) if any(len(p) for p in paths) else np.empty((0, 2))


def test_removed_left_bone_is_filled_on_the_left_of_an_axial_slice(planned):
    cut = next(iter(cuts_of(planned.approach).values()))
    filled = drawn(slice_figure(planned, cut), REMOVED)
    assert len(filled)
    assert filled[:, 0].max() < 0.6  # page x < 0 is the patient's left


def test_channel_crosses_the_midline_only_over_the_top(planned):
    cut = next(iter(cuts_of(planned.approach).values()))
    figure = slice_figure(planned, cut)
    near, far = (drawn(figure, phase_colour(n)) for n in (0, 1))
    ventral = [points[points[:, 1] < 0] for points in (near, far)]
    assert ventral[0][:, 0].max() < 0
    assert ventral[1][:, 0].max() > 5


@pytest.mark.parametrize("place", range(5))
def test_directions_are_printed_on_every_slice(planned, place):
    cut = list(cuts_of(planned.approach).values())[place]
    words = {text.get_text() for text in slice_figure(planned, cut).axes[0].texts}
    assert "10 mm" in words
    wanted = {"patient's LEFT", "patient's RIGHT"} if cut.kind != "sagittal" else {"ventral", "dorsal"}
    assert wanted <= words


def test_key_says_that_the_sac_is_modelled(planned):
    labels = [text.get_text() for text in key_figure(planned).legends[0].get_texts()]
    assert "dural sac (modelled)" in labels
    assert "channel, over the top" in labels


def test_ct_has_a_bone_window_and_mr_its_own():
    assert toy.scan().kind.display_window(toy.scan().voxels) == BONE_WINDOW_HU
    mr = Scan(np.linspace(0, 1000, 27, dtype=np.float32).reshape(3, 3, 3), type(toy.grid())((3, 3, 3), np.eye(4)), "MR")
    low, high = mr.kind.display_window(mr.voxels)
    assert 0 <= low < 20
    assert 980 < high <= 1000
