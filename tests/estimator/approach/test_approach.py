"""Tilts, placed phases and the plan file."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canalwise.estimator.approach.approach import Approach, Phase, axis_level, placed_phases, tilts_deg
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.approach.plan_file import plan_of, plan_text
from canalwise.recon.anatomy import Frame
from canalwise.recon.errors import BadFile, WrongUse
from tests.authorities import entry_angles
from tests.estimator.toys import LEVEL_AXES

TILT = st.floats(-75, 75)
SIDE = st.sampled_from(["left", "right"])


@given(SIDE, TILT, TILT)
def test_tilts_and_axis_are_inverse(side, medial_deg, cranial_deg):
    axis = axis_level(side, medial_deg, cranial_deg)
    assert np.linalg.norm(axis) == pytest.approx(1.0)
    assert tilts_deg(side, axis) == pytest.approx((medial_deg, cranial_deg), abs=1e-9)


@given(TILT, TILT)
def test_the_two_sides_mirror(medial_deg, cranial_deg):
    left, right = (axis_level(side, medial_deg, cranial_deg) for side in ("left", "right"))
    assert left * [-1, 1, 1] == pytest.approx(right)


@pytest.mark.parametrize("side", ["left", "right"])
def test_positive_tilts_swing_the_tip_across_and_cranial(side):
    x, y, z = axis_level(side, 20.0, 10.0)
    assert y < 0 < z
    assert (x > 0) == (side == "right")  # x points to the patient's left


@pytest.mark.parametrize(("entry_mm", "target_mm", "depth_mm", "angle_deg"), entry_angles())
def test_skin_entry_angle_table(entry_mm, target_mm, depth_mm, angle_deg):
    """docs/published-values.md#entry-angles (CALC), the table in tests/authorities/entry_angles.csv."""
    medial_deg, _ = tilts_deg("right", np.array([entry_mm + target_mm, -depth_mm, 0.0]))
    assert medial_deg == pytest.approx(angle_deg, abs=0.05)


def an_approach(**changes) -> Approach:
    phases = (
        Phase("ipsilateral", -3.0, 5.0, 3.0, 4.0, 16.0),
        Phase("over the top", 22.0, 5.0, 2.5, 9.0, 28.0, (1.0, 0.0, 0.0)),
    )
    fields = {
        "level": "L3-L4",
        "side": "right",
        "docking_point_mm": (-8.0, 15.0, -2.0),
        "pivot_distance_mm": 50.0,
        "phases": phases,
    }
    return Approach(**(fields | changes))


def test_sleeve_and_tool_end_where_the_plan_says():
    frame = Frame(np.array([10.0, -20.0, 30.0]), LEVEL_AXES)
    near, over = placed_phases(an_approach(), frame)
    docking = frame.to_world_mm([-8.0, 15.0, -2.0])
    assert np.linalg.norm(docking - near.pivot_ras_mm) == pytest.approx(50.0)
    assert near.sleeve_depth_mm + near.sleeve_radius_mm == pytest.approx(54.0)
    assert near.tip_depth_mm + near.tool_radius_mm == pytest.approx(66.0)
    assert over.pivot_ras_mm - near.pivot_ras_mm == pytest.approx(frame.direction_ras([1.0, 0.0, 0.0]))


def test_working_length_ends_every_reach():
    short = an_approach(channel=Channel(working_length_mm=52.0))
    phase = placed_phases(short, Frame(np.zeros(3), LEVEL_AXES))[0]
    assert phase.tip_depth_mm + phase.tool_radius_mm == pytest.approx(52.0)


def test_a_plan_survives_its_file():
    assert plan_of(plan_text(an_approach())) == an_approach()


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("level = ", "must be a TOML file"),
        ('schema = "canalwise.plan/9"', "canalwise.plan/1"),
        ('schema = "canalwise.plan/1"\nlevel = "L3-L4"', "side is missing"),
        (plan_text(an_approach()).replace("pivot_distance_mm", "pivot_distance"), "pivot_distance"),
    ],
)
def test_a_bad_plan_says_what_is_wrong(text, complaint):
    with pytest.raises(BadFile, match=complaint):
        plan_of(text)


@pytest.mark.parametrize(
    "wrong",
    [
        {"side": "up"},
        {"level": "L3-L5"},
        {"phases": ()},
        {"pivot_distance_mm": 0.0},
        {"docking_point_mm": (0.0, float("nan"), 0.0)},
    ],
)
def test_an_approach_that_cannot_be_is_refused(wrong):
    with pytest.raises(WrongUse):
        an_approach(**wrong)


def test_instruments_must_fit_into_each_other():
    with pytest.raises(WrongUse, match="tool <= scope <= sleeve"):
        Channel(sleeve_diameter_mm=6.0, scope_diameter_mm=7.0)
