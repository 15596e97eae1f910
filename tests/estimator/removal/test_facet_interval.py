"""How a joint's extent blurs what stays of it: a flat joint cut by a straight line, worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.estimator.geometry.region_protocol import SignedRegion
from canalwise.estimator.level.border_uncertainty import FacetUncertainty
from canalwise.estimator.removal.facet_interval import joint_sds
from canalwise.recon.anatomy import Joint
from canalwise.recon.grid import Float
from tests.estimator.toys import LEVEL_AXES, toy_level

SPACING_MM, WIDE, HIGH = 0.5, 28, 21
"""A joint of 14 mm by 10.5 mm in cells of 0.5 mm."""

CUT_MM = 4.0
"""What is taken of it, from its medial rim on."""

FOUND_MM = 1.0
"""Depth of the rim that points 0.5 mm apart are found to lie on: those from which 1.5 mm on none is within 0.8 mm. Its
loss, over this depth, is what a millimetre does."""


class MedialOf(SignedRegion):
    """All that lies medial of a sagittal plane, left of the midline."""

    def __init__(self, x_mm: float) -> None:
        self.x_mm = x_mm

    def depth_mm(self, points_mm: Float) -> Float:
        return np.asarray((points_mm @ LEVEL_AXES.T)[:, 0] - self.x_mm)


def test_a_joint_that_ends_sooner_or_later_keeps_another_share() -> None:
    x = 10.0 + SPACING_MM * (np.arange(WIDE) + 0.5)
    z = SPACING_MM * (np.arange(HIGH) - (HIGH - 1) / 2)
    face = np.stack([*(a.ravel() for a in np.meshgrid(x, z, indexing="ij")), np.full(WIDE * HIGH, 3.0)], axis=1)
    inferior = face[:, [0, 2, 1]] @ LEVEL_AXES
    joint = Joint("left", inferior, inferior, np.full(len(face), SPACING_MM**2), 40.0, 1.0)
    level = toy_level(8.0)
    level.joints["left"] = joint
    sds = joint_sds(level, "left", MedialOf(10.0 + CUT_MM), FacetUncertainty(0.0, 0.6, 0.0))["area_frac"]
    width = WIDE * SPACING_MM
    share = 1 - CUT_MM / width
    medial = (width - CUT_MM) / (width - FOUND_MM) - share
    lateral = share - (width - CUT_MM - FOUND_MM) / (width - FOUND_MM)
    assert sds["joint extent"] == pytest.approx(0.6 * np.hypot(medial, lateral) / FOUND_MM, rel=1e-6)
    assert sds["bone border"] == pytest.approx(0.0, abs=1e-9)
