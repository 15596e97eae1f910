"""What stands between tunnels against a closed form, and laws of closing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from canalwise.estimator.geometry.bricks import bricks_of_voxels
from canalwise.estimator.removal.tunnel_region import TunnelArrays, TunnelRegion
from canalwise.recon.grid import Grid

RADIUS_MM, LONG_MM, EDGE_MM = 1.75, 20.0, 0.5

CUBE = Grid((32, 32, 8), np.array([[EDGE_MM, 0, 0, -8], [0, EDGE_MM, 0, -8], [0, 0, EDGE_MM, 8], [0, 0, 0, 1.0]]))
BRICKS = bricks_of_voxels(CUBE, np.argwhere(np.ones(CUBE.shape)))


@dataclass(frozen=True)
class ParallelTunnels(TunnelRegion):
    """Tunnels along z at some places."""

    middles_mm: np.ndarray
    radius_mm: float

    @property
    def tunnels(self):
        """All as long."""
        starts = np.column_stack([self.middles_mm, np.zeros(len(self.middles_mm))])
        return TunnelArrays.between(starts, starts + np.array([0.0, 0.0, LONG_MM]), RADIUS_MM)

    @property
    def gap_radius_mm(self):
        """As given."""
        return self.radius_mm


def shares(middles_mm, radius_mm=RADIUS_MM):
    """Share of every voxel within tunnels, and within them or between them."""
    region, found = ParallelTunnels(np.array(middles_mm, dtype=float), radius_mm), np.zeros((2, len(BRICKS.order)))
    for out, covered in zip(found, (region.in_tunnels(BRICKS), region.covered(BRICKS)), strict=True):
        out[BRICKS.order[covered.places]] = covered.share
    return found.reshape(2, *CUBE.shape)


def area_mm2(share):
    """Of the mean section."""
    return share.sum() * EDGE_MM**2 / CUBE.shape[2]


def area_between_mm2(apart_mm: float) -> float:
    """Between two discs, outside the two balls that touch both: integrated over columns, by quadrature.

    Each column at x from the middle goes up to the touching ball, whose middle lies on the line of symmetry.
    """
    height = np.sqrt((2 * RADIUS_MM) ** 2 - (apart_mm / 2) ** 2)
    x = (np.arange(20000) + 0.5) / 20000 * apart_mm / 4
    ball = height - np.sqrt(RADIUS_MM**2 - x**2)
    disc = np.sqrt(np.maximum(RADIUS_MM**2 - (x - apart_mm / 2) ** 2, 0.0))
    return float(4 * np.maximum(ball - disc, 0.0).mean() * apart_mm / 4)


@pytest.mark.parametrize("apart_mm", [3.0, 4.5, 5.5])
def test_two_tunnels_close_what_two_balls_leave_between_them(apart_mm):
    tubes, closed = shares(np.array([[-apart_mm / 2, 0.0], [apart_mm / 2, 0.0]]))
    assert area_mm2(closed - tubes) == pytest.approx(area_between_mm2(apart_mm), rel=0.05, abs=0.1)


def test_tunnels_too_far_apart_close_nothing():
    for places, radius_mm in (
        ([[-3.7, 0.0], [3.7, 0.0]], RADIUS_MM),
        ([[0.0, 0.0]], RADIUS_MM),
        ([[-2, 0], [2, 0]], 0.0),
    ):
        tubes, closed = shares(np.array(places, dtype=float), radius_mm)
        assert area_mm2(closed - tubes) <= 0.02


def test_more_tunnels_never_leave_more():
    two = [[-2.2, 0.0], [2.2, 0.3]]
    assert (shares(np.array([*two, [0.4, 3.0]]))[1] >= shares(np.array(two))[1] - 0.05).all()


def test_a_mirror_image_closes_its_mirror_image():
    places = np.array([[-2.2, 0.0], [2.2, 0.7], [0.4, 3.0]])
    there = shares(places * [-1.0, 1.0] - [EDGE_MM, 0.0])[1]
    assert there[::-1] == pytest.approx(shares(places)[1], abs=0.05)
    assert area_mm2(there) == pytest.approx(area_mm2(shares(places)[1]), rel=0.002)
