"""What the view down the channel shows where: facts of common practice (no source), computed from geometry."""

from __future__ import annotations

import numpy as np
import pytest

from estimator.clock import DOCKING_ORDER, clock_hour, docking_clock
from tests.estimator.toys import toy_level

QUARTER_HOUR = 0.25


def landmarks(level, side):
    """Upper lamina cranial, joint lateral, lower lamina caudal of the window's centre."""
    sign = 1.0 if side == "left" else -1.0
    x, y, _ = level.frame.to_level_mm(level.windows[side].centre_ras_mm)
    places = {
        "upper_lamina_caudal_edge": (x, y, 7.0),
        "facet_centre": (x + sign * 8, y, 0.0),
        "lower_lamina_cranial_edge": (x, y, -7.0),
    }
    return {f"{name}_{side}": level.frame.to_world_mm(p) for name, p in places.items()}


@pytest.mark.parametrize(("side", "hours"), [("right", (3, 6, 9)), ("left", (9, 6, 3))])
def test_docking_view_prone_surgeon_on_the_approach_side(side, hours):
    """Common practice, no source: upper lamina, facet, lower lamina at 3, 6, 9 from the right; 9, 6, 3 from left."""
    level = toy_level(10.0)
    object.__setattr__(level, "landmarks_ras_mm", landmarks(level, side))
    seen = docking_clock(level, side, (0.0, 0.0))
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
