"""A first approach from the anatomy alone: where a surgeon would start from, not yet a search."""

from __future__ import annotations

import numpy as np

from canalwise.estimator.approach.approach import (
    IPSILATERAL,
    OVER_THE_TOP,
    Approach,
    Phase,
    axis_level,
    other_side,
    tilts_deg,
)
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.level.target_points import all_points_mm
from canalwise.estimator.planning.canal_entry import canal_entry_in_view
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float, triple
from canalwise.recon.image.skin import skin_point_mm
from canalwise.recon.labels import Labels, Part, Side, bone_mask

PIVOT_DISTANCE_MM = 40.0
"""The deep fascia holds the channel this far dorsal of the lamina, the near end of the usual 40-60 mm: the flattest
path across, hence the least of the spinous process (scripts/why_pivot.py; common practice, no source)."""

DOCKING_SEARCH_MM = 20.0
"""Bone further than this dorsal of the window is no docking place (common practice, no source)."""

SWEEP_DEG = 4.0
"""Half-angle of the sweep about each phase's axis, the wide end of the usual 2-4 deg (common practice, no source)."""

STEEPEST_TILT_DEG = 15.0
"""The first phase leans cranially or caudally by no more than this, however steep the window stands: further, the
skin entry would lie at the next level (common practice, no source)."""

FAR_PIVOT_SHIFT_MM = 8.0
"""Skin and fascia give by this much as the channel leans across (scripts/why_pivot.py; common practice, no source)."""

ENTRY_TILT_DEG = 20.0
"""The pivot stands this far lateral of the docking point's own sagittal plane, as an angle about that point: the middle
of the 15-25 deg of a tubular entry (from memory). A straighter one meets the spinous process on its path across
(scripts/why_resection.py)."""

MIDLINE_BONE = (Part.SPINOUS_PROCESS, Part.SPINOUS_BASE)


def default_approach(anatomy: Anatomy, level_name: str, side: Side, channel: Channel | None = None) -> Approach:
    """Dock at the window's centre, go in from lateral, then tilt until the far recess is in the sweep.

    The pivot stands behind the docking point, ENTRY_TILT_DEG lateral of the window's normal; a normal
    steeper than STEEPEST_TILT_DEG is held there, and the docking point is moved laterally by as little as
    the sleeve needs to pass beside the spinous processes. The first phase starts from that
    direction and the second, its pivot FAR_PIVOT_SHIFT_MM further lateral, from the one to the middle of the far
    targets; either is turned by as little as brings the middle of its own side's recess into its sweep.

    Raises
    ------
    LevelNotInView : no such level
    AnatomyNotFound : window and lamina edges of that side, or all targets of a side, are not in view
    """
    level, channel = anatomy.level(level_name), channel or Channel()
    docking = docking_point_mm(anatomy, level, side, channel.sleeve_radius_mm)
    return docked_approach(anatomy, level_name, side, docking, channel)


def docked_approach(
    anatomy: Anatomy, level_name: str, side: Side, docking: Float, channel: Channel | None = None
) -> Approach:
    """As `default_approach`, from another docking point: (3,) array, level frame; its targets stay the same."""
    level, channel = anatomy.level(level_name), channel or Channel()
    inward = entry_direction(level, side)
    pivot = docking - _pivot_distance_mm(anatomy, level, docking, inward) * inward
    return entered_approach(level, side, docking, pivot, channel)


def entered_approach(level: Level, side: Side, docking: Float, pivot: Float, channel: Channel) -> Approach:
    """The plan docked at a point through a pivot, (3,) arrays, level frame, its phases aimed as by `default_approach`.

    Raises
    ------
    AnatomyNotFound : all targets of a side are not in view
    """
    distance_mm, far = float(np.linalg.norm(docking - pivot)), other_side(side)
    far_pivot = pivot + FAR_PIVOT_SHIFT_MM * _lateral(side)
    near_axis = _aimed(level, side, pivot, (docking - pivot) / distance_mm, channel)
    far_axis = _aimed(level, far, far_pivot, middle_mm(level, far) - far_pivot, channel)
    # A plan places its pivot behind the docking point along the first axis; the shifts lead from there to ours.
    implied = docking - distance_mm * near_axis
    phases = []
    for name, on, at, axis in ((IPSILATERAL, side, pivot, near_axis), (OVER_THE_TOP, far, far_pivot, far_axis)):
        sleeve, tip = depths_mm(level, on, at, axis, channel.working_distance_mm, distance_mm)
        medial, cranial = tilts_deg(side, axis)
        phases.append(Phase(name, medial, cranial, SWEEP_DEG, float(sleeve), float(tip), triple(at - implied)))
    return Approach(level.name, side, triple(docking), distance_mm, tuple(phases), channel)


def turned_to_hold(direction: Float, goal: Float, half_angle_deg: float) -> Float:
    """(3,) unit array: a direction turned toward a goal by as little as brings it within the half-angle.

    >>> turned_to_hold(np.array([1.0, 0.0, 0.0]), np.array([1.0, 0.0, 0.0]), 3.0).tolist()
    [1.0, 0.0, 0.0]
    """
    start, end = direction / np.linalg.norm(direction), goal / np.linalg.norm(goal)
    apart = float(np.arccos(np.clip(start @ end, -1, 1)))
    turn = apart - np.radians(half_angle_deg)
    if turn <= 0:
        return start
    # Along the great circle from start to end (spherical linear interpolation).
    return (np.sin(apart - turn) * start + np.sin(turn) * end) / np.sin(apart)


def first_direction(level: Level, side: Side) -> Float:
    """(3,) unit array in the level frame: into the window along its normal, no steeper than STEEPEST_TILT_DEG."""
    medial_deg, cranial_deg = tilts_deg(side, -canal_entry_in_view(level, side).normal)
    return axis_level(side, medial_deg, float(np.clip(cranial_deg, -STEEPEST_TILT_DEG, STEEPEST_TILT_DEG)))


def entry_direction(level: Level, side: Side) -> Float:
    """(3,) unit array in the level frame: from the pivot to the docking point, as steep as `first_direction`."""
    medial_deg, cranial_deg = tilts_deg(side, first_direction(level, side))
    return axis_level(side, medial_deg + ENTRY_TILT_DEG, cranial_deg)


def docking_point_mm(anatomy: Anatomy, level: Level, side: Side, sleeve_radius_mm: float) -> Float:
    """(3,) array, level frame: where a sleeve lowered onto the window first meets lamina or facet joint.

    It is lowered along the first direction onto the window's centre, beside the spinous
    processes; where it passes the opening without touching, the window's own depth is taken.
    """
    normal = -first_direction(level, side)
    centre = canal_entry_in_view(level, side).centre_mm
    bone, part = _bone_near_mm(anatomy, level, centre, DOCKING_SEARCH_MM + 2 * sleeve_radius_mm)
    toward_side = _lateral(side)
    offset = bone - centre
    height = offset @ normal
    in_path = (height > 0) & (height < DOCKING_SEARCH_MM)
    midline = in_path & np.isin(part, MIDLINE_BONE)
    shift_mm = _shift_beside_mm(offset[midline], normal, toward_side, sleeve_radius_mm)
    beside = np.linalg.norm(offset - shift_mm * toward_side - height[:, None] * normal, axis=1)
    met = height[in_path & (beside < sleeve_radius_mm) & ~np.isin(part, MIDLINE_BONE)]
    return centre + shift_mm * toward_side + met.max(initial=0.0) * normal


def resting_point_mm(anatomy: Anatomy, level: Level, side: Side, point_mm: Float, sleeve_radius_mm: float) -> Float:
    """(3,) array, level frame: where a sleeve comes to rest that is lowered along the first direction through a point.

    On the lamina or facet joint it meets first, or at the window's own depth where it meets none; so a docking point
    that the planner found stays where it is. Spinous processes carry no sleeve: what it meets of them counts as taken.
    """
    normal = -first_direction(level, side)
    centre = canal_entry_in_view(level, side).centre_mm
    aside = point_mm - centre
    aside = aside - (aside @ normal) * normal
    bone, part = _bone_near_mm(anatomy, level, centre + aside, DOCKING_SEARCH_MM + 2 * sleeve_radius_mm)
    offset = bone - centre
    height = offset @ normal
    beside = np.linalg.norm(offset - aside - height[:, None] * normal, axis=1) < sleeve_radius_mm
    met = height[beside & (height > 0) & (height < DOCKING_SEARCH_MM) & ~np.isin(part, MIDLINE_BONE)]
    return np.asarray(centre + aside + met.max(initial=0.0) * normal)


def _shift_beside_mm(offset_mm: Float, normal: Float, toward_side: Float, radius_mm: float) -> float:
    """Least shift toward a side that clears a cylinder along the normal of all (N, 3) points, up to its own width."""
    lateral = offset_mm @ toward_side
    along = offset_mm @ np.cross(normal, toward_side)
    crossed = np.abs(along) < radius_mm
    needed = lateral[crossed] + np.sqrt(radius_mm**2 - along[crossed] ** 2)
    return float(np.clip(needed.max(initial=0.0), 0.0, 2 * radius_mm))


def _bone_near_mm(anatomy: Anatomy, level: Level, centre_mm: Float, reach_mm: float) -> tuple[Float, Labels]:
    """Bone voxels near a point: (N, 3) centres in the level frame, and (N,) parts."""
    box = anatomy.grid.box_around(level.frame.to_world_mm(centre_mm)[None], reach_mm)
    bone = bone_mask(anatomy.labels[box]) & (anatomy.occupancy[box] >= 0.5)
    world = anatomy.grid.cropped(box).world_mm(np.argwhere(bone))
    return level.frame.to_level_mm(world), anatomy.labels[box][bone] % 100


def _pivot_distance_mm(anatomy: Anatomy, level: Level, docking_mm: Float, inward: Float) -> float:
    """PIVOT_DISTANCE_MM, or docking point to skin along the first axis where that is less."""
    start = level.frame.to_world_mm(docking_mm)
    skin = skin_point_mm(anatomy.labels, anatomy.grid, start, level.frame.direction_ras(-inward))
    return PIVOT_DISTANCE_MM if skin is None else min(PIVOT_DISTANCE_MM, float(np.linalg.norm(skin - start)))


def _aimed(level: Level, side: Side, pivot_mm: Float, direction: Float, channel: Channel) -> Float:
    """(3,) unit array: a direction turned until the tool at the sweep's edge touches the recess's middle."""
    goal = recess_mm(level, side) - pivot_mm
    touch_deg = float(np.degrees(np.arctan2(channel.tool_radius_mm, np.linalg.norm(goal))))
    return turned_to_hold(direction, goal, SWEEP_DEG + touch_deg)


def middle_mm(level: Level, side: Side) -> Float:
    """(3,) array, level frame: the middle of all of a side's targets; raises AnatomyNotFound where there is none."""
    return np.asarray(level.frame.to_level_mm(_all_targets_mm(level, side)).mean(axis=0))


def recess_mm(level: Level, side: Side) -> Float:
    """(3,) array, level frame: the middle of a side's lateral recess; of all its targets where no recess is in view."""
    everything = _all_targets_mm(level, side)
    recess = level.targets[side].points_ras_mm.get("lateral recess", everything)
    return level.frame.to_level_mm(recess if len(recess) else everything).mean(axis=0)


def _all_targets_mm(level: Level, side: Side) -> Float:
    """(N, 3) array, RAS: every target point of a side; raises AnatomyNotFound where there is none."""
    targets = level.targets.get(side)
    if targets is None or not len(all_points_mm(targets)):
        raise AnatomyNotFound(
            f"targets of {level.name} {side}",
            "must be in view to aim at",
            do="Correct the labels of this level, or give an approach with --plan.",
        )
    return all_points_mm(targets)


def depths_mm(
    level: Level, side: Side, pivots_mm: Float, axes: Float, working_distance_mm: Float | float,
    distance_mm: Float | float,
) -> tuple[Float, Float]:  # fmt: skip
    """(sleeve, tip) past the docking depth: deep enough for every target of a side, the scope held back.

    The sleeve never ends short of the docking depth. Pivots and unit axes are (..., 3) arrays of the level frame;
    `distance_mm`, pivot to docking point, and the results are (...) arrays. Raises AnatomyNotFound without targets.
    """
    goals = level.frame.to_level_mm(_all_targets_mm(level, side))
    tip_mm = (axes @ goals.T).max(axis=-1) - (axes * pivots_mm).sum(axis=-1) - distance_mm
    return np.maximum(0.0, tip_mm - working_distance_mm), tip_mm


def _lateral(side: Side) -> Float:
    """(3,) unit array, level frame: toward that side of the patient."""
    return np.array([1.0 if side == "left" else -1.0, 0.0, 0.0])
