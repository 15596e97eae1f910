"""Solids: small worked numbers, and the bound every culling relies on."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canalwise.phantoms.solid.pose import Pose, turn
from canalwise.phantoms.solid.signed_distance import Capsule, RoundedBox, Solid, smooth_max, smooth_min, smooth_step

EXACT = 1e-9

SOLIDS: tuple[Solid, ...] = (
    Capsule(np.array([1.0, 2.0, 3.0]), np.array([9.0, 2.0, -4.0]), 3.0, 2.0),
    RoundedBox(np.array([2.0, -1.0, 4.0]), turn(2, 30.0) @ turn(0, 20.0), np.array([4.0, 6.0, 3.0]), 1.5),
)
POINTS = st.tuples(*[st.floats(-30, 30) for _ in range(3)])


def test_capsule_by_hand() -> None:
    ball = Capsule(np.zeros(3), np.zeros(3), 5.0, 5.0)
    assert ball.distance_mm(np.array([[3.0, 4.0, 0.0], [0.0, 0.0, 12.0], [0.0, 0.0, 0.0]])).tolist() == [0.0, 7.0, -5.0]


def test_rounded_box_corner_by_hand() -> None:
    box = RoundedBox(np.zeros(3), np.eye(3), np.array([3.0, 3.0, 3.0]), 1.0)
    corner = box.distance_mm(np.array([[3.0, 3.0, 3.0]]))
    assert corner[0] == pytest.approx(np.sqrt(3) - 1.0, abs=EXACT)


@pytest.mark.parametrize("solid", SOLIDS)
@given(first=POINTS, second=POINTS)
def test_distance_changes_no_faster_than_the_point_moves(solid: Solid, first: tuple, second: tuple) -> None:
    points = np.array([first, second])
    values = solid.distance_mm(points)
    # the tapered capsule is steeper than one by its taper: 1 mm over 10.6 mm
    assert abs(values[0] - values[1]) <= 1.1 * np.linalg.norm(points[0] - points[1]) + EXACT


@pytest.mark.parametrize("solid", SOLIDS)
def test_mirrored_solid_has_mirrored_distances(solid: Solid, rng: np.random.Generator) -> None:
    points = rng.uniform(-20, 20, (200, 3))
    assert np.allclose(solid.mirrored().distance_mm(points * [-1, 1, 1]), solid.distance_mm(points), atol=EXACT)


@pytest.mark.parametrize("solid", SOLIDS)
def test_placed_solid_moves_with_its_pose(solid: Solid, rng: np.random.Generator) -> None:
    pose = Pose(np.array([5.0, -7.0, 11.0]), turn(1, 25.0) @ turn(2, -40.0))
    points = rng.uniform(-20, 20, (200, 3))
    assert np.allclose(solid.placed(pose).distance_mm(pose.to_world_mm(points)), solid.distance_mm(points), atol=EXACT)


@pytest.mark.parametrize("solid", SOLIDS)
def test_box_holds_the_solid(solid: Solid, rng: np.random.Generator) -> None:
    points = rng.uniform(-20, 20, (20000, 3))
    low, high = solid.box_mm()
    inside = points[solid.distance_mm(points) < 0]
    assert len(inside)
    assert ((inside >= low - EXACT) & (inside <= high + EXACT)).all()


def test_smooth_max_is_never_below_the_larger_and_equals_it_far_apart() -> None:
    first, second = np.linspace(-10, 10, 41), np.zeros(41)
    blended = smooth_max(first, second, 4.0)
    assert (blended >= np.maximum(first, second)).all()
    assert blended[-1] == 10.0
    assert blended[0] == 0.0
    assert smooth_min(-first, -second, 4.0) == pytest.approx(-blended)


def test_smooth_step_ends_flat() -> None:
    assert smooth_step(np.array([-1.0, 0.0, 0.5, 1.0, 2.0]), 0.0, 1.0).tolist() == [0.0, 0.0, 0.5, 1.0, 1.0]
