"""Solids and lines whose answer is known exactly: what the numeric code is held against.

Frames: a cone or cylinder about an axis through a flat slab of bone whose normal makes
`tilt_deg` with the axis. Lengths in mm, depths measured from the pivot along the slab's
normal. Each formula is checked by independent quadrature in `test_closed_forms.py`.
"""

from __future__ import annotations

import math


def grown_cone_mm3(half_angle_deg: float, length_mm: float, radius_mm: float) -> float:
    """Volume of a solid cone (flat base) grown by a ball: Steiner's formula for a convex body.

    V + S r + M r^2 + (4/3) pi r^3, with V the volume, S the surface and M the integral of
    mean curvature (R. Schneider, Convex Bodies: The Brunn-Minkowski Theory, Steiner's formula; cited
    from memory, therefore checked by quadrature). For a cone of height h, base radius R = h tan a
    and slant s = h / cos a:

    - V = pi R^2 h / 3 and S = pi R (R + s);
    - on the flank one principal curvature is 0 and the other is 1 / (t tan a) at slant distance t
      from the apex, so the integral of their mean is the integral of pi cos a dt = pi h;
    - the rim turns its normal by pi/2 + a over the length 2 pi R, and an edge counts half its
      turning: pi R (pi/2 + a); the apex is a point and counts nothing.

    With a = 0 this is a capsule:

    >>> abs(grown_cone_mm3(0.0, 10.0, 2.0) - (math.pi * 4 * 10 + 4 / 3 * math.pi * 8)) < 1e-9
    True
    """
    a = math.radians(half_angle_deg)
    base_mm, slant_mm = length_mm * math.tan(a), length_mm / math.cos(a)
    volume = math.pi * base_mm**2 * length_mm / 3
    surface = math.pi * base_mm * (base_mm + slant_mm)
    mean_curvature = math.pi * length_mm + math.pi * base_mm * (math.pi / 2 + a)
    return volume + surface * radius_mm + mean_curvature * radius_mm**2 + 4 / 3 * math.pi * radius_mm**3


def cone_to_plane_mm3(half_angle_deg: float, distance_mm: float, tilt_deg: float = 0.0) -> float:
    """Volume of a cone from its apex to a plane whose normal makes `tilt_deg` with the axis.

    One third of the section times its distance. The section is an ellipse: generators at
    tilt +- a from the normal give the long half-axis d sin a cos a / q with
    q = cos^2 tilt - sin^2 a, and the eccentricity sin tilt / cos a gives the short one,
    so the area is pi d^2 sin^2 a cos a / q^(3/2). Needs tilt + a < 90 deg.
    """
    a, tilt = math.radians(half_angle_deg), math.radians(tilt_deg)
    q = math.cos(tilt) ** 2 - math.sin(a) ** 2
    area = math.pi * distance_mm**2 * math.sin(a) ** 2 * math.cos(a) / q**1.5
    return area * distance_mm / 3


def cylinder_through_slab_mm3(radius_mm: float, thickness_mm: float, tilt_deg: float = 0.0) -> float:
    """Volume a cylinder takes out of a slab: an ellipse of area pi r^2 / cos(tilt), times the thickness."""
    return math.pi * radius_mm**2 * thickness_mm / math.cos(math.radians(tilt_deg))


def frustum_through_slab_mm3(near_radius_mm: float, far_radius_mm: float, thickness_mm: float) -> float:
    """Volume a cone takes out of a slab across its axis: pi t (r1^2 + r1 r2 + r2^2) / 3."""
    squares = near_radius_mm**2 + near_radius_mm * far_radius_mm + far_radius_mm**2
    return math.pi * thickness_mm * squares / 3


def swept_through_slab_mm3(
    half_angle_deg: float, radius_mm: float, near_mm: float, far_mm: float, tilt_deg: float = 0.0
) -> float:
    """Volume that a cone grown by `radius_mm` takes out of a slab between two depths from its apex.

    Growing a cone moves its flank out by r, which is the same cone with its apex r / sin a
    further back. Exact while both planes cut the grown cone's flank only: every point of the
    cut must lie between -r sin a and length - r sin a along the axis, clear of both rounded ends.
    """
    if half_angle_deg == 0:
        return cylinder_through_slab_mm3(radius_mm, far_mm - near_mm, tilt_deg)
    back_mm = radius_mm / math.sin(math.radians(half_angle_deg)) * math.cos(math.radians(tilt_deg))
    far = cone_to_plane_mm3(half_angle_deg, far_mm + back_mm, tilt_deg)
    return far - cone_to_plane_mm3(half_angle_deg, near_mm + back_mm, tilt_deg)


def bicylinder_mm3(radius_mm: float) -> float:
    """Volume common to two equal cylinders crossing at right angles: 16 r^3 / 3 (Archimedes; Steinmetz's solid)."""
    return 16 * radius_mm**3 / 3


def napkin_ring_mm3(height_mm: float) -> float:
    """What is left of a ball drilled through its centre: pi h^3 / 6, whatever the ball (h = the ring's height)."""
    return math.pi * height_mm**3 / 6


def drilled_from_ball_mm3(ball_radius_mm: float, drill_radius_mm: float) -> float:
    """Volume a cylinder through a ball's centre takes out of it: the ball less its napkin ring."""
    height_mm = 2 * math.sqrt(ball_radius_mm**2 - drill_radius_mm**2)
    return 4 / 3 * math.pi * ball_radius_mm**3 - napkin_ring_mm3(height_mm)


def entry_angle_deg(entry_mm: float, target_mm: float, depth_mm: float) -> float:
    """Angle from the sagittal plane of a line from `entry_mm` ipsilateral to `target_mm` contralateral.

    >>> round(entry_angle_deg(10.0, 12.5, 50.0), 1)
    24.2
    """
    return math.degrees(math.atan2(entry_mm + target_mm, depth_mm))


def over_the_top_tilt_deg(pivot_mm: tuple[float, float], centre_mm: tuple[float, float], radius_mm: float) -> float:
    """Medial tilt of the straight line from the pivot that just touches the top of a circle.

    Plane of the axial slice, (contralateral, dorsal) mm; tilt 0 is straight ventral and positive
    swings to the contralateral side. The line to the centre turned by asin(radius / distance).
    For a sac of radius R, a tool of radius r and a clearance c the circle's radius is R + r + c.
    """
    across, down = centre_mm[0] - pivot_mm[0], pivot_mm[1] - centre_mm[1]
    return math.degrees(math.atan2(across, down) + math.asin(radius_mm / math.hypot(across, down)))


def deepest_on_wall_mm(
    pivot_mm: tuple[float, float], centre_mm: tuple[float, float], radius_mm: float, wall_mm: float
) -> float:
    """Dorsal coordinate of the most ventral point of the far wall that a line over the circle meets.

    The wall is the line `wall_mm` contralateral; points of it dorsal of the answer are reached,
    points ventral of it lie behind the circle.
    """
    tilt = math.radians(over_the_top_tilt_deg(pivot_mm, centre_mm, radius_mm))
    return pivot_mm[1] - (wall_mm - pivot_mm[0]) / math.tan(tilt)
