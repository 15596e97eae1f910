"""What the view down the channel shows where: facts of common practice (no source), computed from geometry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.planning.clock_positions import (
    DOCKING_ORDER,
    MIDDLE,
    VIEW_MM,
    EndoscopeView,
    clock_hour,
    docking_clock,
    hours_in_view,
    view_axes_level,
)
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.labels import SIDES, Side, label_of, sided
from tests.estimator.toys import round_sac_anatomy

QUARTER_HOUR = 0.25


def docked_on(side: Side) -> Anatomy:
    """The round canal's anatomy with a block of bone on three sides of the window."""
    anatomy = round_sac_anatomy(7.0, 10.0, 1.0)
    level, labels = anatomy.level("L3-L4"), np.zeros_like(anatomy.labels)
    toward_side = 1.0 if side == "left" else -1.0
    blocks = {
        label_of("L3", sided("lamina", side)): (0.0, 0.0, 8.0),
        label_of("L4", sided("lamina", side)): (0.0, 0.0, -8.0),
        label_of("L3", sided("inferior_articular", side)): (8.0 * toward_side, 0.0, 0.0),
    }
    centre = level.frame.to_level_mm(level.windows[side].centre_ras_mm)
    local = level.frame.to_level_mm(anatomy.grid.voxel_centres_mm())
    for label, offset in blocks.items():
        labels[np.abs(local - centre - offset).max(axis=-1) <= 2.0] = label
    return replace(anatomy, labels=labels)


@pytest.mark.parametrize(("side", "hours"), [("right", (3, 6, 9)), ("left", (9, 6, 3))])
def test_docking_view_prone_surgeon_on_the_approach_side(side, hours):
    """Common practice, no source: upper lamina, facet, lower lamina at 3, 6, 9 from the right; 9, 6, 3 from left."""
    anatomy = docked_on(side)
    seen = docking_clock(anatomy, anatomy.level("L3-L4"), side, (0.0, 0.0))
    assert tuple(seen) == DOCKING_ORDER
    assert [seen[name] for name in DOCKING_ORDER[1:]] == pytest.approx(hours, abs=QUARTER_HOUR)


@pytest.mark.parametrize(("side", "far"), [("right", 1.0), ("left", -1.0)])
@pytest.mark.parametrize("medial_tilt_deg", [15.0, 25.0, 35.0])
def test_over_the_top_the_sac_is_at_six_and_the_roof_at_twelve(side, far, medial_tilt_deg):
    """Common practice, no source. The view looks along the channel across the top of the sac."""
    lean = np.radians(medial_tilt_deg)
    across_view = np.array([far * np.cos(lean), np.sin(lean), 0.0])  # dorsal side of the line of view
    assert clock_hour(side, (medial_tilt_deg, 0.0), -6.0 * across_view) == pytest.approx(6.0, abs=QUARTER_HOUR)
    assert clock_hour(side, (medial_tilt_deg, 0.0), 6.0 * across_view) == pytest.approx(12.0, abs=QUARTER_HOUR)


AHEAD = {side: EndoscopeView(side, (20.0, -5.0), np.array([3.0, -2.0, 1.0])) for side in SIDES}


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("hour", [1.0, 4.5, 9.0, 12.0])
@pytest.mark.parametrize("depth_mm", [-5.0, 40.0])
def test_a_point_stands_where_it_was_put_however_deep(side, hour, depth_mm):
    view = AHEAD[side]
    assert hours_in_view(view, {"it": seen_at(view, hour, 6.0, depth_mm)})["it"] == pytest.approx(hour)


def seen_at(view: EndoscopeView, hour: float, off_mm: float, depth_mm: float) -> np.ndarray:
    """(1, 3) array: a point so far off the line of view, at an hour, so deep."""
    forward, up, right = view_axes_level(view.side, *view.tilts_deg)
    turn = np.radians(30.0 * hour)
    return (view.through_mm + depth_mm * forward + off_mm * (np.cos(turn) * up + np.sin(turn) * right))[None]


def test_what_lies_all_round_is_in_the_middle_and_what_is_far_off_is_out_of_view():
    view = AHEAD["left"]
    ring = np.concatenate([seen_at(view, hour, 8.0, 3.0) for hour in range(12)])
    half = np.concatenate([seen_at(view, hour, 8.0, 3.0) for hour in (1, 2, 3, 4, 5)])
    seen = hours_in_view(view, {"ring": ring, "half": half, "far": seen_at(view, 3.0, VIEW_MM + 0.1, 3.0)})
    assert seen == {"ring": MIDDLE, "half": pytest.approx(3.0)}
