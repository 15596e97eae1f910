"""Quadrature against closed forms: sphere, ellipsoid, box, and the cone of a swept region."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.phantoms.solid.quadrature import label_volumes
from canalwise.phantoms.truth.swept_region import cone_distance_mm

VOLUME_TOL = 1e-3
"""The error the quadrature claims."""


def _ask(inside):  # type: ignore[no-untyped-def]
    return lambda points: inside(points).astype(np.uint16)


def test_ball() -> None:
    volumes = label_volumes(
        _ask(lambda p: np.linalg.norm(p - [1.0, 2.0, 3.0], axis=1) < 8.0), (np.full(3, -9.0), np.full(3, 12.0))
    )
    assert volumes.by_label_mm3[1] == pytest.approx(4 / 3 * np.pi * 8**3, rel=VOLUME_TOL)
    assert volumes.error_frac[1] < VOLUME_TOL


def test_ellipsoid() -> None:
    radii = np.array([4.0, 7.0, 11.0])
    volumes = label_volumes(_ask(lambda p: np.linalg.norm(p / radii, axis=1) < 1.0), (-radii - 1, radii + 1))
    assert volumes.total_mm3() == pytest.approx(4 / 3 * np.pi * 4 * 7 * 11, rel=VOLUME_TOL)


def test_box_whose_faces_run_along_the_axes() -> None:
    half = np.array([5.0, 3.5, 6.0])
    volumes = label_volumes(_ask(lambda p: (np.abs(p) < half).all(axis=1)), (-half - 1, half + 1))
    assert volumes.total_mm3() == pytest.approx(8 * 5 * 3.5 * 6, rel=VOLUME_TOL)


def test_two_labels_share_a_face_and_add_up() -> None:
    def halves(points: np.ndarray) -> np.ndarray:
        ball = np.linalg.norm(points, axis=1) < 9.0
        return np.where(ball, np.where(points[:, 0] > 2.0, 7, 9), 0).astype(np.uint16)

    volumes = label_volumes(halves, (np.full(3, -10.0), np.full(3, 10.0)))
    cap = np.pi * 7**2 * (3 * 9 - 7) / 3
    assert volumes.by_label_mm3[7] == pytest.approx(cap, rel=VOLUME_TOL)
    assert volumes.total_mm3() == pytest.approx(4 / 3 * np.pi * 9**3, rel=VOLUME_TOL)


@pytest.mark.parametrize(
    ("half_angle_deg", "depth_mm", "radius_mm"), [(10.0, 20.0, 3.0), (0.0, 15.0, 4.5), (25.0, 12.0, 2.0)]
)
def test_cone_grown_by_a_radius_has_steiners_volume(half_angle_deg: float, depth_mm: float, radius_mm: float) -> None:
    """Steiner's V + S r + M r^2 + 4/3 pi r^3; M = pi h + pi R (pi/2 + a) for a cone (docs/numbers.md#swept-volume)."""
    a = np.radians(half_angle_deg)
    axis = np.array([0.6, -0.64, 0.48])
    axis = axis / np.linalg.norm(axis)
    rim = depth_mm * np.tan(a)
    volume, surface = np.pi * rim**2 * depth_mm / 3, np.pi * rim * np.hypot(depth_mm, rim) + np.pi * rim**2
    mean_curvature = np.pi * depth_mm + np.pi * rim * (np.pi / 2 + a)
    expected = volume + surface * radius_mm + mean_curvature * radius_mm**2 + 4 / 3 * np.pi * radius_mm**3
    inside = _ask(lambda p: cone_distance_mm(p, axis, a, depth_mm) <= radius_mm)
    assert label_volumes(inside, (np.full(3, -30.0), np.full(3, 30.0))).total_mm3() == pytest.approx(
        expected, rel=VOLUME_TOL
    )
