"""Volume that an instrument fills on paths from a pivot, as flat arrays of grown cones that compiled loops run over.

Every solid here is a cone grown by a ball: a sweep is one of some width, a straight instrument one of none (a capsule).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import PlacedPhase
from canalwise.estimator.approach.instrument import Channel
from canalwise.recon.grid import Float

WIDEST_HULL_RAD = 1.4
"""Axes spread further apart than this about their mean have no cone about them that would spare any work."""

SMALLEST_MM2 = 1e-12
"""A cone smaller than this is its apex."""


class ConeArrays(NamedTuple):
    """Solids, each in sight of a pivot, united.

    Parameters
    ----------
    pivots_mm : (W, 3) array, RAS mm
    starts : (W + 1,) array; path w has the columns starts[w]:starts[w + 1] of `cones`
    cones : (10, K) array, a column each: apex (3), unit axis (3), length, base radius, 1 / (length^2 + base^2) and
        radius of the ball
    hulls : (10, W) array of the same; each holds all cones of its path
    """

    pivots_mm: Float
    starts: npt.NDArray[np.int64]
    cones: Float
    hulls: Float


def cone_arrays_of_phases(phases: Iterable[PlacedPhase]) -> ConeArrays:
    """One path per phase: the sleeve's cone and the tool's.

    >>> phase = PlacedPhase("ipsilateral", np.zeros(3), np.array([0.0, 0.0, 1.0]), 0.0, 4.0, 60.0, 1.75, 80.0)
    >>> paths = cone_arrays_of_phases([phase])
    >>> paths.cones[6].tolist(), paths.cones[9].tolist()
    ([60.0, 80.0], [4.0, 1.75])
    """
    return united_solids([(phase.pivot_ras_mm, _swept(phase)) for phase in phases])


def cone_arrays_of_lines(paths: Iterable[tuple[Float, Float]], channel: Channel) -> ConeArrays:
    """One path per pivot (3,) with any (M, 3) targets: scope to a tip short of each target, tool from there on.

    >>> paths = cone_arrays_of_lines([(np.zeros(3), np.array([[0.0, 0.0, 50.0]]))], Channel())
    >>> paths.cones[6].tolist(), paths.cones[9].tolist()
    ([35.0, 15.0], [3.5, 1.75])
    """
    return united_solids([(pivot, _straight(pivot, targets, channel)) for pivot, targets in paths if len(targets)])


def cone_rows(
    apexes_mm: Float, axes: Float, lengths_mm: npt.ArrayLike, bases_mm: npt.ArrayLike, radii_mm: npt.ArrayLike
) -> Float:
    """(K, 10) array of grown cones from their measures; apexes and axes are (K, 3) or (3,).

    >>> cone_rows(np.zeros(3), np.array([0.0, 0.0, 1.0]), [3.0], [4.0], [1.5]).tolist()
    [[0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 3.0, 4.0, 0.04, 1.5]]
    """
    length, base, radius = np.broadcast_arrays(*np.atleast_1d(lengths_mm, bases_mm, radii_mm))
    rows = np.empty((len(length), 10))
    rows[:, :3], rows[:, 3:6] = apexes_mm, axes
    rows[:, 6], rows[:, 7] = length, base
    rows[:, 8] = 1.0 / np.maximum(length**2 + base**2, SMALLEST_MM2)
    rows[:, 9] = radius
    return rows


def _swept(phase: PlacedPhase) -> Float:
    lengths = np.array([phase.sleeve_depth_mm, phase.tip_depth_mm])
    bases = lengths * np.tan(np.radians(phase.sweep_deg))
    return cone_rows(phase.pivot_ras_mm, phase.axis_ras, lengths, bases, [phase.sleeve_radius_mm, phase.tool_radius_mm])


def _straight(pivot_mm: Float, targets_mm: Float, channel: Channel) -> Float:
    """Scope and tool of each target in turn, so that neighbours in space are neighbours in the list."""
    direction = targets_mm - pivot_mm
    length = np.maximum(np.linalg.norm(direction, axis=1), 1e-9)
    axes, scope = direction / length[:, None], np.maximum(length - channel.working_distance_mm, 0.0)
    scopes = cone_rows(pivot_mm, axes, scope, 0.0, channel.scope_radius_mm)
    tools = cone_rows(pivot_mm + scope[:, None] * axes, axes, length - scope, 0.0, channel.tool_radius_mm)
    return np.stack([scopes, tools], axis=1).reshape(-1, 10)


def united_solids(paths: list[tuple[Float, Float]]) -> ConeArrays:
    """Solids from pairs of a pivot (3,), RAS mm, and the (K, 10) cones of `cone_rows` on rays from it.

    >>> line = cone_rows(np.zeros(3), np.array([0.0, 0.0, 1.0]), [3.0], [0.0], [1.5])
    >>> united_solids([(np.zeros(3), line), (np.zeros(3), np.concatenate([line, line]))]).starts.tolist()
    [0, 1, 3]
    """
    starts = np.cumsum([0, *(len(cones) for _, cones in paths)]).astype(np.int64)
    pivots = np.array([pivot for pivot, _ in paths], dtype=float).reshape(-1, 3)
    cones = np.concatenate([np.empty((0, 10)), *(cones for _, cones in paths)])
    hulls = np.concatenate([np.empty((0, 10)), *(_hull(pivot, cones) for pivot, cones in paths)])
    return ConeArrays(pivots, starts, np.ascontiguousarray(cones.T), np.ascontiguousarray(hulls.T))


def _hull(pivot_mm: Float, cones: Float) -> Float:
    """(1, 10) array: a grown cone about cones that all start on rays from the pivot along their own axes."""
    mean = cones[:, 3:6].sum(axis=0)
    axis = mean / max(float(np.linalg.norm(mean)), 1e-9)
    apart = np.arccos(np.clip(cones[:, 3:6] @ axis, -1.0, 1.0))
    widest = float((apart + np.arctan2(cones[:, 7], cones[:, 6])).max())
    ends = np.linalg.norm(cones[:, :3] - pivot_mm, axis=1) + np.hypot(cones[:, 6], cones[:, 7])
    if widest > WIDEST_HULL_RAD:
        return cone_rows(pivot_mm, axis, 0.0, 0.0, np.inf)
    # a thousandth more, so that no cone pokes out by rounding
    length = 1.001 * float(ends.max())
    return cone_rows(pivot_mm, axis, length, length * np.tan(widest + 1e-6), 1e-6 + cones[:, 9].max())
