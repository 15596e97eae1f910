"""Landmarks against the corners the shapes were built from."""

import numpy as np
import pytest

from canalwise.recon.level.facet_joints import joints_of
from canalwise.recon.level.landmarks import NAMES, landmarks_of
from tests.recon.shapes import (
    CANAL_HALF_DEPTH,
    FACET_CENTRE_X,
    FACET_CENTRE_Y,
    FACET_CENTRE_Z,
    TURNED,
    WINDOW_HIGH,
    WINDOW_LOW,
    Shapes,
    truth_frame,
    view,
)

LANDMARK_TOL_MM = 1.5
"""The design's accuracy for landmarks."""

HALF_VOXEL_MM = 0.5


def level_mm(which: str) -> dict[str, np.ndarray]:
    seen = view(which)
    frame = truth_frame(TURNED if which == "turned" else Shapes())
    return {name: frame.to_level_mm(point) for name, point in landmarks_of(seen, joints_of(seen)).items()}


@pytest.mark.parametrize("which", ["plain", "turned"])
@pytest.mark.parametrize(
    ("name", "axis", "value"),
    [
        ("upper_lamina_caudal_edge", 2, WINDOW_HIGH),
        ("lower_lamina_cranial_edge", 2, WINDOW_LOW),
        ("upper_pedicle_lower_edge", 2, 15.0),
        ("lower_pedicle_upper_edge", 2, -7.0),
    ],
)
def test_edges_lie_on_their_planes(which: str, name: str, axis: int, value: float) -> None:
    found = level_mm(which)
    for side, sign in (("left", 1), ("right", -1)):
        assert found[f"{name}_{side}"][axis] == pytest.approx(value, abs=HALF_VOXEL_MM)
        assert sign * found[f"{name}_{side}"][0] > 0


@pytest.mark.parametrize("which", ["plain", "turned"])
def test_points_of_known_place(which: str) -> None:
    found = level_mm(which)
    assert found["disc_dorsal_border"] == pytest.approx([0, -CANAL_HALF_DEPTH, 0], abs=LANDMARK_TOL_MM)
    assert found["upper_spinous_base"] == pytest.approx([0, CANAL_HALF_DEPTH, 13.5], abs=LANDMARK_TOL_MM)
    centre = [FACET_CENTRE_X, FACET_CENTRE_Y, FACET_CENTRE_Z]
    assert found["facet_centre_left"] == pytest.approx(centre, abs=LANDMARK_TOL_MM)
    assert found["upper_spinous_tip"][1] == pytest.approx(42.0, abs=HALF_VOXEL_MM)
    assert abs(found["upper_pedicle_medial_left"][0]) == pytest.approx(8.0, abs=0.8)


def test_every_landmark_is_found_under_its_name() -> None:
    assert tuple(level_mm("plain")) == NAMES
