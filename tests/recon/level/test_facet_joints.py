"""Facet joints against flat plates of known size, angle and gap."""

import numpy as np
import pytest

from canalwise.recon.level.facet_joints import joints_of
from tests.recon.shapes import (
    FACET_CENTRE_X,
    FACET_CENTRE_Y,
    FACET_CENTRE_Z,
    FACET_HEIGHT,
    TURNED,
    Shapes,
    truth_frame,
    view,
)

PLATE_MM2 = Shapes().facet_width_mm * FACET_HEIGHT


@pytest.mark.parametrize(("which", "shapes"), [("plain", Shapes()), ("turned", TURNED)])
@pytest.mark.parametrize("side", ["left", "right"])
def test_angle_gap_and_place(which: str, shapes: Shapes, side: str) -> None:
    joint = joints_of(view(which))[side]  # type: ignore[index]
    assert joint.angle_deg == pytest.approx(shapes.facet_angle_deg[side], abs=1.0)  # type: ignore[index]
    assert joint.gap_mm == pytest.approx(shapes.gap_mm, abs=0.4)
    middle = (joint.inferior_face_ras_mm + joint.superior_face_ras_mm) / 2
    centre = truth_frame(shapes).to_level_mm(np.average(middle, axis=0, weights=joint.area_mm2))
    sign = 1 if side == "left" else -1
    assert centre == pytest.approx([sign * FACET_CENTRE_X, FACET_CENTRE_Y, FACET_CENTRE_Z], abs=0.5)


@pytest.mark.parametrize("which", ["plain", "turned"])
def test_area_of_a_sharp_plate_is_read_a_little_short(which: str) -> None:
    # at a sharp rim linear interpolation rounds the corner off by a quarter of a voxel, along 60 mm of rim
    for joint in joints_of(view(which)).values():
        assert 0.86 * PLATE_MM2 < joint.area_mm2.sum() < 1.01 * PLATE_MM2


def test_unequal_joints_keep_their_sides() -> None:
    found = joints_of(view("turned"))
    assert found["left"].angle_deg < found["right"].angle_deg
    assert (truth_frame(TURNED).to_level_mm(found["left"].inferior_face_ras_mm)[:, 0] > 0).all()
