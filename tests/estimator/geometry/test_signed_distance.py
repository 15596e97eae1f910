"""Signed distances to the solids, by hand and as laws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.geometry.signed_distance import cone_distance_mm, paths_distance_mm, swept_distance_mm
from tests.estimator.toys import phase_along

CONE = phase_along((0, 0, 1), sweep_deg=45.0 - 1e-9, radius_mm=0.0, length_mm=10.0, back_mm=0.0)
CHANNEL = Channel(scope_diameter_mm=8.0, tool_diameter_mm=4.0, working_distance_mm=10.0)
COORDINATE = st.floats(-30, 30)
POINT = st.tuples(COORDINATE, COORDINATE, COORDINATE).map(np.array)


@pytest.mark.parametrize(
    ("point", "expected"),
    [
        ((0, 0, -3), 3.0),  # behind the apex
        ((0, 0, 12), 2.0),  # past the flat base
        ((10, 0, 12), 2.0),  # past the base, at its rim
        ((13, 0, 14), 5.0),  # past the rim: 3-4-5
        ((2, 0, 0), np.sqrt(2)),  # beside the flank
        ((0, 0, 9), -1.0),  # inside, nearest the base
        ((0, 0, 2), -np.sqrt(2)),  # inside, nearest the flank
    ],
)
def test_cone_distance_by_hand(point, expected):
    assert cone_distance_mm(np.array(point, dtype=float), CONE, 10.0) == pytest.approx(expected, abs=1e-6)


def test_cone_without_sweep_is_a_line_piece():
    phase = phase_along((0, 0, 1), back_mm=0.0)
    assert cone_distance_mm(np.array([[3.0, 4, 5], [0, 0, 25]]), phase, 20.0) == pytest.approx([5.0, 5.0])


@given(POINT, POINT, st.floats(0, 20), st.floats(0, 5))
def test_swept_distance_never_changes_faster_than_the_distance_moved(a, b, sweep_deg, radius_mm):
    phase = phase_along((1, 2, 3), sweep_deg=sweep_deg, radius_mm=radius_mm, length_mm=25.0, back_mm=10.0)
    moved = np.linalg.norm(a - b)
    assert abs(swept_distance_mm(a, phase) - swept_distance_mm(b, phase)) <= moved + 1e-9


def test_path_is_scope_wide_to_its_tip_and_tool_wide_beyond():
    pivot, target = np.zeros(3), np.array([[0.0, 0.0, 50.0]])
    beside = np.array([[6.0, 0, 20], [6.0, 0, 40], [6.0, 0, 49]])
    assert paths_distance_mm(beside, pivot, target, CHANNEL) == pytest.approx([2.0, 2.0, 4.0])


def test_no_target_no_path():
    assert np.isinf(paths_distance_mm(np.zeros((2, 3)), np.zeros(3), np.empty((0, 3)), CHANNEL)).all()
