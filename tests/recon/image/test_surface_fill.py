"""Voxels inside a closed surface, against the ball and the box they are known of."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from canalwise.recon.image.surface_fill import filled

SHAPE = (24, 26, 28)


@settings(max_examples=25, deadline=None)
@given(
    middle=st.tuples(*(st.floats(4.0, 20.0) for _ in range(3))),
    size=st.tuples(*(st.floats(0.6, 14.0) for _ in range(3))),
)
def test_a_box_holds_the_centres_between_its_faces(middle, size):
    box = trimesh.creation.box(size)
    low, high = np.array(middle) - np.array(size) / 2, np.array(middle) + np.array(size) / 2
    at = np.moveaxis(np.indices(SHAPE), 0, -1)
    clear = np.abs(np.minimum(at - low, high - at)).min(axis=-1) > 1e-5
    expected = ((at > low) & (at < high)).all(axis=-1)
    assert (filled(box.vertices + middle, box.faces, SHAPE) == expected)[clear].all()


def test_a_turned_ball_that_the_grid_cuts_holds_its_volume():
    ball = trimesh.creation.icosphere(subdivisions=4, radius=9.0)
    turned = trimesh.transformations.rotation_matrix(0.7, (1, 2, 3))
    inside = filled(trimesh.transform_points(ball.vertices, turned) + 12.3, ball.faces, (25, 25, 60))
    assert inside.sum() == pytest.approx(ball.volume, rel=0.01)
    half = filled(ball.vertices + np.array([0.0, 12.0, 12.0]), ball.faces, SHAPE)
    assert half.sum() == pytest.approx(ball.volume / 2, rel=0.08)


def test_corners_on_voxel_centres_are_crossed_once():
    corners = np.array([[2.0, 2.0, 2.0], [8.0, 2.0, 2.0], [2.0, 8.0, 2.0], [2.0, 2.0, 8.0]])
    faces = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]])
    inside = filled(corners, faces, (12, 12, 12))
    # no line leaks out of it: nothing beyond its corners
    assert max(inside[9:].sum(), inside[:, 9:].sum(), inside[:, :, 9:].sum()) == 0
    assert inside[3, 3, 3]
