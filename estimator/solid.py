"""Solids a channel can fill: a cone swept about the pivot, and the tool's straight path to a point.

Distances are signed, negative inside, in mm, and change by at most 1 mm per mm moved
(1-Lipschitz), so a voxel whose centre lies further than its half diagonal from zero
is wholly in or wholly out.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from estimator.approach import PlacedPhase
from estimator.kernels import capsule_chain_distance_mm
from recon.grid import Float


def cone_distance_mm(points_mm: npt.ArrayLike, phase: PlacedPhase, length_mm: float) -> Float:
    """Signed distance of each point to the solid cone a phase's axis sweeps.

    Parameters
    ----------
    points_mm : (..., 3) array of RAS mm
    phase : gives apex, axis and half-angle
    length_mm : along the axis; the base is flat

    Returns
    -------
    (...,) array. With half-angle 0 the cone is a line piece and nothing is inside it.

    Notes
    -----
    In the half-plane (t along the axis, rho away from it) the cone is a triangle with
    corners (0, 0), (length, 0) and (length, length tan a); the distance is to its two
    outer edges.
    """
    offset = np.asarray(points_mm, dtype=float) - phase.pivot_ras_mm
    t = offset @ phase.axis_ras
    rho = np.sqrt(np.maximum((offset * offset).sum(axis=-1) - t * t, 0.0))
    half_angle = np.radians(phase.sweep_deg)
    base_radius = length_mm * np.tan(half_angle)
    slope = np.hypot(length_mm, base_radius)
    along = np.clip((t * length_mm + rho * base_radius) / max(slope * slope, 1e-12), 0.0, 1.0)
    to_side = np.hypot(t - along * length_mm, rho - along * base_radius)
    to_base = np.hypot(t - length_mm, np.maximum(rho - base_radius, 0.0))
    inside = (t > 0) & (t < length_mm) & (rho < t * np.tan(half_angle))
    nearest = np.minimum(to_side, to_base)
    return np.where(inside, -nearest, nearest)


def swept_distance_mm(points_mm: npt.ArrayLike, phase: PlacedPhase) -> Float:
    """Signed distance of each (..., 3) point to the region one phase's channel sweeps.

    The cone to the sleeve's depth grown by the sleeve radius, united with the cone to the
    tip's depth grown by the tool radius (a Minkowski sum with a ball; Steiner's formula gives
    its volume). Outside both the value is exact; inside it is a bound.
    """
    sleeve = cone_distance_mm(points_mm, phase, phase.sleeve_depth_mm) - phase.sleeve_radius_mm
    tool = cone_distance_mm(points_mm, phase, phase.tip_depth_mm) - phase.tool_radius_mm
    return np.minimum(sleeve, tool)


def paths_distance_mm(
    points_mm: Float, pivot_mm: Float, targets_mm: Float, instrument: tuple[float, float, float]
) -> Float:
    """Signed distance of each (N, 3) point to the straight tool paths from a pivot to (M, 3) targets.

    Parameters
    ----------
    instrument : (scope radius, tool radius, working distance) mm: a capsule of scope
        radius from the pivot to a tip held the working distance short of the target,
        and one of tool radius from that tip to the target

    Returns
    -------
    (N,) array; +inf when there is no target.
    """
    if len(targets_mm) == 0:
        return np.full(len(points_mm), np.inf)
    return np.asarray(
        capsule_chain_distance_mm(
            np.ascontiguousarray(points_mm), pivot_mm, np.ascontiguousarray(targets_mm), *instrument
        )
    )


def swept_bounds_mm(phase: PlacedPhase) -> tuple[Float, Float]:
    """(low, high) corners, RAS mm, of an upright box about the region one phase's channel sweeps."""
    deepest = max(phase.sleeve_depth_mm, phase.tip_depth_mm)
    reach = deepest * np.tan(np.radians(phase.sweep_deg)) + max(phase.sleeve_radius_mm, phase.tool_radius_mm)
    ends = np.array([phase.pivot_ras_mm, phase.pivot_ras_mm + deepest * phase.axis_ras])
    return ends.min(axis=0) - reach, ends.max(axis=0) + reach
