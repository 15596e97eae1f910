"""The window against an opening of known edges."""

import numpy as np
import pytest

from canalwise.recon.level.interlaminar_window import windows_of
from canalwise.recon.level.landmarks import landmarks_of
from tests.recon.shapes import CANAL_HALF_DEPTH, WINDOW_HIGH, WINDOW_LOW, Shapes, truth_frame, view


def test_window_between_two_straight_laminae() -> None:
    seen = view("plain")
    found = windows_of(seen, landmarks_of(seen, {}))
    frame = truth_frame(Shapes())
    for side, sign in (("left", 1), ("right", -1)):
        window = found[side]  # type: ignore[index]
        assert window.height_mm == pytest.approx(WINDOW_HIGH - WINDOW_LOW, abs=0.4)
        # 8 mm free beside the joints' inner rims, read by eye from the shapes: the plates start at |x| = 8.2
        assert window.area_mm2 == pytest.approx(window.width_mm * window.height_mm, rel=0.05)
        assert frame.direction_level(window.normal_ras) == pytest.approx([0, 1, 0], abs=np.sin(np.radians(2.0)))
        x, y, z = frame.to_level_mm(window.centre_ras_mm)
        assert sign * x == pytest.approx(window.width_mm / 2, abs=0.4)
        assert z == pytest.approx((WINDOW_HIGH + WINDOW_LOW) / 2, abs=0.4)
        assert y == pytest.approx(CANAL_HALF_DEPTH * np.sqrt(1 - (x / 12) ** 2), abs=0.6)


def test_both_sides_alike_and_closed_without_landmarks() -> None:
    seen = view("plain")
    found = windows_of(seen, landmarks_of(seen, {}))
    assert found["left"].area_mm2 == pytest.approx(found["right"].area_mm2, rel=0.02)
    assert windows_of(seen, {}) == {}
