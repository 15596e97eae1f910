"""Solids a channel can fill: a cone swept about the pivot, and the tool's straight path to a point.

Distances are signed, negative inside, in mm, and change by at most 1 mm per mm moved
(1-Lipschitz), so a voxel whose centre lies further than its half diagonal from zero
is wholly in or wholly out.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import PlacedPhase
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.geometry.cone_arrays import cone_arrays_of_lines, cone_arrays_of_phases, cone_rows
from canalwise.estimator.geometry.cone_distance import least_distances
from canalwise.recon.grid import Float


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

    >>> phase = PlacedPhase("ipsilateral", np.zeros(3), np.array([0.0, 0.0, 1.0]), 45.0, 4.0, 60.0, 1.75, 80.0)
    >>> cone_distance_mm([[0, 0, 12], [5, 0, 5], [0, 0, 9]], phase, 10.0).round(6).tolist()
    [2.0, 0.0, -1.0]
    """
    base_mm = length_mm * np.tan(np.radians(phase.sweep_deg))
    return _least(cone_rows(phase.pivot_ras_mm, phase.axis_ras, length_mm, base_mm, 0.0).T.copy(), points_mm)


def swept_distance_mm(points_mm: npt.ArrayLike, phase: PlacedPhase) -> Float:
    """Signed distance of each (..., 3) point to the region one phase's channel sweeps.

    The cone to the sleeve's depth grown by the sleeve radius, united with the cone to the
    tip's depth grown by the tool radius (a Minkowski sum with a ball; Steiner's formula gives
    its volume). Outside both the value is exact; inside it is a bound.

    >>> phase = PlacedPhase("ipsilateral", np.zeros(3), np.array([0.0, 0.0, 1.0]), 0.0, 4.0, 60.0, 1.75, 80.0)
    >>> swept_distance_mm([[5, 0, 30], [5, 0, 75], [0, 0, 30]], phase).tolist()
    [1.0, 3.25, -4.0]
    """
    return _least(cone_arrays_of_phases((phase,)).cones, points_mm)


def paths_distance_mm(points_mm: npt.ArrayLike, pivot_mm: Float, targets_mm: Float, channel: Channel) -> Float:
    """Signed distance of each (..., 3) point to the straight tool paths from a pivot to (M, 3) targets.

    A path is a capsule of scope radius from the pivot to a tip held the working distance short of the target, and
    one of tool radius from that tip to the target.

    Returns
    -------
    (...,) array; +inf when there is no target.

    >>> tip = np.array([[0.0, 0.0, 50.0]])
    >>> paths_distance_mm([[0, 0, 52], [5, 0, 20]], np.zeros(3), tip, Channel()).tolist()
    [0.25, 1.5]
    """
    return _least(cone_arrays_of_lines([(pivot_mm, targets_mm)], channel).cones, points_mm)


def _least(cones: Float, points_mm: npt.ArrayLike) -> Float:
    points = np.asarray(points_mm, dtype=float)
    out = np.empty(points.shape[:-1])
    least_distances(cones, np.ascontiguousarray(points.reshape(-1, 3).T), out.reshape(-1))
    return out
