"""The plan on a radiograph: every mark lies where the picture's own projection puts it."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pytest

from canalwise.estimator.approach.approach import placed_phases
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.planning.skin_entry import skin_entry_of
from canalwise.workbench.images.planned_case import PlannedCase, PlannedRemoval
from canalwise.workbench.images.radiograph_figure import radiograph_figures
from canalwise.workbench.images.radiograph_overlay import marks_of
from canalwise.workbench.images.radiograph_view import ap_view, lateral_view, views_of
from canalwise.workbench.style.data_uris import drawing_style, png_bytes
from tests.workbench import toy

MIDDLE = 255.5


def planned_approach(side):
    """The usual start from one side, and its entry; the toy has no skin, so its pivot is taken for it."""
    approach, prepared = default_approach(toy.anatomy(), "L3-L4", side), prepared_level(toy.anatomy(), "L3-L4")
    entry = skin_entry_of(prepared.anatomy, approach, placed_phases(approach, toy.frame())[0], prepared.air_in_view)
    return approach, asdict(entry) | {"at": "skin"}


def marked(side, view):
    approach, entry = planned_approach(side)
    return {mark.name: mark for mark in marks_of(view, toy.anatomy().level("L3-L4"), approach, entry)}


def within(polygon, point):
    """Is a point inside a closed outline? By the sum of the angles at which its edges are seen."""
    toward = polygon - point
    turn = np.arctan2(*toward[:, ::-1].T)
    steps = np.diff(np.append(turn, turn[0]))
    return abs(((steps + np.pi) % (2 * np.pi) - np.pi).sum()) > np.pi


@pytest.mark.parametrize("side", ["left", "right"])
def test_entry_needle_and_docking_point_lie_on_one_line(side):
    approach, entry = planned_approach(side)
    for view in views_of(side):
        marks = marked(side, view)
        outer, docked = marks["needle"].pixels
        assert docked == pytest.approx(view.on_picture(approach.docking_point_mm))
        assert marks["docking point"].pixels[0] == pytest.approx(docked)
        skin = marks["skin entry"].pixels[0]
        (across, down), (x, y) = outer - docked, skin - docked
        assert abs(across * y - down * x) < 1e-6 * (across**2 + down**2)
        # where the numbers of the estimate say: so far to the side, and cranial of the lamina's edge
        edge = toy.anatomy().level("L3-L4").landmarks_ras_mm[f"upper_lamina_caudal_edge_{side}"]
        first = placed_phases(approach, toy.frame())[0]
        pivot, axis = toy.frame().to_level_mm(first.pivot_ras_mm), toy.frame().direction_level(first.axis_ras)
        point = pivot + (approach.pivot_distance_mm - entry["depth_mm"]) * axis
        assert (point[0] if side == "left" else -point[0]) == pytest.approx(entry["lateral_mm"])
        assert point[2] - toy.frame().to_level_mm(edge)[2] == pytest.approx(entry["cranial_mm"])
        assert skin == pytest.approx(view.on_picture(point))


@pytest.mark.parametrize("side", ["left", "right"])
def test_needle_comes_from_the_side_of_the_approach_and_from_dorsal(side):
    toward = -1 if side == "left" else 1
    ap, lateral = (marked(side, view) for view in views_of(side))
    assert toward * (ap["skin entry"].pixels[0, 0] - MIDDLE) > 0
    assert lateral["needle"].pixels[0, 1] < lateral["needle"].pixels[1, 1]
    assert lateral["disc plane"].pixels[:, 0] == pytest.approx(MIDDLE)
    assert ap["disc plane"].pixels[:, 1] == pytest.approx(MIDDLE)
    assert ap["midline"].pixels[:, 0] == pytest.approx(MIDDLE)
    window = toy.frame().to_level_mm(toy.anatomy().level("L3-L4").windows[side].centre_ras_mm)
    assert ap["window centre"].pixels[0] == pytest.approx(ap_view().on_picture(window))


@pytest.mark.parametrize("view", [ap_view(), lateral_view("left")], ids=["AP", "lateral"])
def test_outlines_hold_the_instrument_and_no_more(view):
    """Points on the instrument's surface are inside, points 2 % of its radius off its outline outside."""
    approach, _ = planned_approach("left")
    marks = marked("left", view)
    for phase in placed_phases(approach, toy.frame()):
        pivot, axis = toy.frame().to_level_mm(phase.pivot_ras_mm), toy.frame().direction_level(phase.axis_ras)
        outline = marks[f"sleeve, {phase.name}"].pixels
        middle = pivot + 0.5 * phase.sleeve_depth_mm * axis
        beside = np.cross(axis, middle - view.source_mm)
        beside /= np.linalg.norm(beside)
        for share, inside in ((0.0, True), (0.97, True), (1.04, False)):
            point = middle + share * phase.sleeve_radius_mm * beside
            assert within(outline, view.on_picture(point)) == inside
        assert marks[f"sleeve, {phase.name}"].phase == marks[f"tool, {phase.name}"].phase >= 0


def test_without_skin_in_view_the_pivot_is_marked():
    approach, entry = planned_approach("left")
    marks = marks_of(ap_view(), toy.anatomy().level("L3-L4"), approach, entry | {"at": "pivot"})
    names = [mark.name for mark in marks]
    assert "pivot" in names
    assert "skin entry" not in names


def test_figures_say_what_they_are_and_are_the_same_every_time():
    approach, entry = planned_approach("right")
    empty = np.zeros(toy.grid().shape, np.float32)
    taken = PlannedRemoval(toy.grid(), empty, empty)
    planned = PlannedCase(toy.scan(), toy.anatomy(), toy.anatomy().level("L3-L4"), approach, taken)
    with drawing_style():
        one, other = ([png_bytes(figure) for figure in radiograph_figures(planned, entry).values()] for _ in range(2))
        figures = radiograph_figures(planned, entry)
    assert one == other
    assert [caption.split(":")[0] for caption in figures] == [
        "Digitally reconstructed radiograph, AP",
        "Digitally reconstructed radiograph, lateral",
    ]
    ap, lateral = ({text.get_text() for text in figure.axes[0].texts} for figure in figures.values())
    assert ap == {"patient's LEFT", "patient's RIGHT", "cranial", "caudal"}
    assert lateral == {"cranial", "caudal", "dorsal", "ventral"}
