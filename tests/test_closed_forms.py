"""Each closed form against quadrature that shares no formula with it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from tests import closed_forms as exact

CONES = [(0.0, 60.0, 4.5), (2.0, 70.0, 2.0), (4.0, 50.0, 4.5), (30.0, 20.0, 3.0)]
"""(half-angle deg, length mm, radius mm); the last is far blunter than any sweep, to test the terms in the angle."""


def _distance_to_segment(point: np.ndarray, start: np.ndarray, end: np.ndarray) -> float:
    along = np.clip(np.dot(point - start, end - start) / np.dot(end - start, end - start), 0, 1)
    return float(np.linalg.norm(point - start - along * (end - start)))


def _distance_to_cone(axial_mm: float, radial_mm: float, half_angle_deg: float, length_mm: float) -> float:
    # The nearest point of a solid of revolution lies in the same meridian plane: a triangle.
    base_mm = length_mm * np.tan(np.radians(half_angle_deg))
    if 0 <= axial_mm <= length_mm and radial_mm <= axial_mm * np.tan(np.radians(half_angle_deg)):
        return 0.0
    point, rim = np.array([axial_mm, radial_mm]), np.array([length_mm, base_mm])
    edges = [(np.zeros(2), rim), (np.array([length_mm, 0.0]), rim)] if base_mm else [(np.zeros(2), rim)]
    return min(_distance_to_segment(point, *edge) for edge in edges)


@pytest.mark.parametrize(("half_angle_deg", "length_mm", "radius_mm"), CONES)
def test_grown_cone_is_its_stack_of_discs(half_angle_deg, length_mm, radius_mm):
    far_mm = length_mm + 2 * radius_mm

    def disc_mm2(axial_mm):
        def outside(radial_mm):
            return _distance_to_cone(axial_mm, radial_mm, half_angle_deg, length_mm) - radius_mm

        return np.pi * brentq(outside, 0.0, far_mm, xtol=1e-10) ** 2

    # Break where the profile changes its form: end of the rounded apex, base, start of the rounded rim.
    dip = radius_mm * np.sin(np.radians(half_angle_deg))
    breaks = [-radius_mm, -dip, length_mm - dip, length_mm, length_mm + radius_mm]
    margin = 1e-9
    pieces = [
        quad(disc_mm2, a + margin, b - margin, epsrel=1e-7)[0] for a, b in pairwise(breaks) if b - a > 10 * margin
    ]
    assert sum(pieces) == pytest.approx(exact.grown_cone_mm3(half_angle_deg, length_mm, radius_mm), rel=1e-6)


def _area_of_section_mm2(inside_half_width, low, high):
    """Area between -w and +w of a section whose half-width w is a function of the other coordinate."""
    return quad(lambda u: 2 * inside_half_width(u), low, high, epsrel=1e-10, limit=200)[0]


@pytest.mark.parametrize("tilt_deg", [0.0, 15.0, 40.0])
@pytest.mark.parametrize("half_angle_deg", [2.0, 10.0])
def test_oblique_cone_is_its_stack_of_sections(half_angle_deg, tilt_deg):
    a, tilt = np.radians([half_angle_deg, tilt_deg])

    def section_mm2(depth_mm):
        # Point (u, v) of the plane at this depth; the axis leans along u by the tilt.
        def half_width(u):
            axial = depth_mm * np.cos(tilt) + u * np.sin(tilt)
            off_axis = -depth_mm * np.sin(tilt) + u * np.cos(tilt)
            return np.sqrt(max((axial * np.tan(a)) ** 2 - off_axis**2, 0.0))

        return _area_of_section_mm2(half_width, depth_mm * np.tan(tilt - a), depth_mm * np.tan(tilt + a))

    volume = quad(section_mm2, 0, 30.0, epsrel=1e-9)[0]
    assert volume == pytest.approx(exact.cone_to_plane_mm3(half_angle_deg, 30.0, tilt_deg), rel=1e-6)


@pytest.mark.parametrize("tilt_deg", [0.0, 20.0])
@pytest.mark.parametrize(("half_angle_deg", "radius_mm"), [(3.0, 4.5), (0.0, 4.5), (4.0, 2.0)])
def test_swept_slab_counts_points_near_the_cone(half_angle_deg, radius_mm, tilt_deg):
    tilt, near_mm, far_mm, length_mm = np.radians(tilt_deg), 48.0, 56.0, 90.0

    def section_mm2(depth_mm):
        def half_width(u):
            axial = depth_mm * np.cos(tilt) + u * np.sin(tilt)
            off_axis = -depth_mm * np.sin(tilt) + u * np.cos(tilt)

            def outside(v):
                return _distance_to_cone(axial, np.hypot(off_axis, v), half_angle_deg, length_mm) - radius_mm

            return brentq(outside, 0.0, 40.0, xtol=1e-9) if outside(0.0) < 0 else 0.0

        centre = depth_mm * np.tan(tilt)
        nodes = centre + 16.0 * np.cos(np.pi * (np.arange(400) + 0.5) / 400)  # Chebyshev: dense at the ends
        weights = 16.0 * np.pi / 400 * np.sin(np.pi * (np.arange(400) + 0.5) / 400)
        return float(sum(2 * half_width(u) * w for u, w in zip(nodes, weights, strict=True)))

    # The section's area is a quadratic in the depth, so three points (Simpson) integrate it exactly.
    areas = [section_mm2(depth) for depth in (near_mm, (near_mm + far_mm) / 2, far_mm)]
    volume = (far_mm - near_mm) / 6 * (areas[0] + 4 * areas[1] + areas[2])
    assert volume == pytest.approx(
        exact.swept_through_slab_mm3(half_angle_deg, radius_mm, near_mm, far_mm, tilt_deg), rel=1e-3
    )


def test_frustum_is_its_stack_of_discs():
    volume = quad(lambda z: np.pi * (5.6 + 0.1 * z) ** 2, 0, 8)[0]
    assert exact.frustum_through_slab_mm3(5.6, 6.4, 8.0) == pytest.approx(volume)
    assert exact.swept_through_slab_mm3(5.0, 0.0, 40.0, 48.0) == pytest.approx(
        exact.frustum_through_slab_mm3(40 * np.tan(np.radians(5)), 48 * np.tan(np.radians(5)), 8.0)
    )


@pytest.mark.parametrize("tilt_deg", [0.0, 25.0])
def test_oblique_cylinder_is_its_ellipse_times_the_thickness(tilt_deg):
    tilt, radius_mm = np.radians(tilt_deg), 4.5
    long_mm = radius_mm / np.cos(tilt)
    area = _area_of_section_mm2(lambda u: np.sqrt(max(radius_mm**2 - (u * np.cos(tilt)) ** 2, 0)), -long_mm, long_mm)
    assert exact.cylinder_through_slab_mm3(radius_mm, 8.0, tilt_deg) == pytest.approx(8.0 * area, rel=1e-8)


def test_bicylinder_is_its_stack_of_squares():
    volume = quad(lambda z: (2 * np.sqrt(9.0 - z**2)) ** 2, -3, 3)[0]
    assert exact.bicylinder_mm3(3.0) == pytest.approx(volume)


@pytest.mark.parametrize(("ball_mm", "drill_mm"), [(5.0, 3.0), (13.0, 12.0)])
def test_drilled_ball_is_its_stack_of_shells(ball_mm, drill_mm):
    removed = quad(lambda rho: 2 * np.pi * rho * 2 * np.sqrt(ball_mm**2 - rho**2), 0, drill_mm)[0]
    assert exact.drilled_from_ball_mm3(ball_mm, drill_mm) == pytest.approx(removed)
    ring = quad(lambda rho: 2 * np.pi * rho * 2 * np.sqrt(ball_mm**2 - rho**2), drill_mm, ball_mm)[0]
    assert exact.napkin_ring_mm3(2 * np.sqrt(ball_mm**2 - drill_mm**2)) == pytest.approx(ring)


@pytest.mark.parametrize("pivot_mm", [(-12.0, 55.0), (-8.0, 70.0), (3.0, 50.0)])
def test_over_the_top_line_just_touches_the_circle(pivot_mm):
    centre, radius_mm, wall_mm = (0.0, 2.0), 8.0, 12.0
    depths = np.linspace(-40, 40, 800_001)  # candidate points of the far wall, 0.1 um apart
    run, drop = wall_mm - pivot_mm[0], pivot_mm[1] - depths
    miss = np.abs(run * (pivot_mm[1] - centre[1]) - (centre[0] - pivot_mm[0]) * drop) / np.hypot(run, drop)
    over = run / drop > (centre[0] - pivot_mm[0]) / (pivot_mm[1] - centre[1])
    deepest = depths[over & (miss >= radius_mm)].min()
    assert exact.deepest_on_wall_mm(pivot_mm, centre, radius_mm, wall_mm) == pytest.approx(deepest, abs=2e-4)


def test_over_the_top_line_of_a_point_is_the_entry_angle():
    tilt = exact.over_the_top_tilt_deg((-10.0, 50.0), (12.5, 0.0), 0.0)
    assert tilt == pytest.approx(exact.entry_angle_deg(10.0, 12.5, 50.0))
