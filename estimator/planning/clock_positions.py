"""Clock positions in the view down the channel.

The picture is turned as the surgeon holds it: up (12 o'clock) is across the patient, away
from the surgeon, who stands on the side of the approach; the patient lies prone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from canalwise.estimator.approach.approach import (
    Approach,
    axis_level,
    far_phase,
    other_side,
    placed_phases,
    tilts_deg,
)
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.planning.canal_entry import canal_entry_in_view
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import Part, Side, Tissue, label_of, sided

DOCKING_ORDER = ("window centre", "upper lamina", "facet joint", "lower lamina")
"""What the instrument feels for in turn when it docks (common practice, no source)."""

NEAR_SIGHTS = (*DOCKING_ORDER[1:], "ligament", "dural sac", "spinous base", "ipsilateral recess")
"""What may be seen about the window's centre, by name."""

FAR_SIGHTS = (
    "dural sac", "roof of the canal", "spinous base", "contralateral upper lamina", "contralateral lower lamina",
    "contralateral facet joint", "contralateral recess", "contralateral foramen", "disc",
)  # fmt: skip
"""What may be seen along the channel over the top, by name."""

FAR_TARGETS = {
    "contralateral recess": "lateral recess", "contralateral foramen": "foramen entrance", "disc": "disc border",
}  # fmt: skip
"""Those of them that are sets of targets."""

VIEW_MM = 12.0
"""Half the width of what is looked at: when docking, the window and the bone that rims it."""

MIDDLE_SHARE = 0.5
"""A thing whose mean is nearer to the line of view than this share of its points' own distance lies on that line or all
round it: it has no hour but is in the middle of the picture (choice)."""

MIDDLE = 0.0
"""Stands for the hour of what is in the middle."""

CANAL_REACH_MM = 32.0
"""Along each of the grid's axes from the level's origin: holds the laminae and joints that border its canal."""


@dataclass(frozen=True, eq=False)
class EndoscopeView:
    """A view down the channel, without the turn of an angled lens.

    Parameters
    ----------
    tilts_deg : (medial, cranial) of the line of view
    through_mm : (3,) array, level frame: a point of that line
    """

    side: Side
    tilts_deg: tuple[float, float]
    through_mm: Float


def view_axes_level(side: Side, medial_tilt_deg: float, cranial_tilt_deg: float) -> tuple[Float, Float, Float]:
    """Axes of the view along a channel.

    Up is the direction across the patient made perpendicular to the line of view.

    Returns
    -------
    forward, up, right : (3,) unit arrays, level frame

    >>> forward, up, right = view_axes_level("left", 0.0, 0.0)
    >>> forward.round(6).tolist(), up.round(6).tolist(), right.round(6).tolist()
    ([-0.0, -1.0, 0.0], [-1.0, 0.0, 0.0], [-0.0, 0.0, -1.0])
    """
    forward = axis_level(side, medial_tilt_deg, cranial_tilt_deg)
    across = np.array([1.0 if other_side(side) == "left" else -1.0, 0.0, 0.0])
    up = across - (across @ forward) * forward
    up /= np.linalg.norm(up)
    return forward, up, np.cross(forward, up)


def clock_hour(side: Side, tilts_deg: tuple[float, float], offset_level_mm: Float) -> float:
    """Hour (0 < hour <= 12) at which something offset from the view's centre is seen.

    Parameters
    ----------
    tilts_deg : (medial, cranial) of the view
    offset_level_mm : (3,) array, from the point looked at to the thing, level frame

    >>> clock_hour("right", (0.0, 0.0), np.array([0.0, 0.0, 5.0]))
    3.0
    """
    _, up, right = view_axes_level(side, *tilts_deg)
    hour = float(np.degrees(np.arctan2(offset_level_mm @ right, offset_level_mm @ up)) / 30.0 % 12.0)
    return hour or 12.0


def hours_in_view(view: EndoscopeView, things_mm: Mapping[str, Float]) -> dict[str, float]:
    """Name -> hour at which a thing is seen, MIDDLE for what lies on or round the line; out of view is left out.

    A thing's hour is that of the mean, across the line of view, of its points within VIEW_MM of that line; how deep
    they lie, and what hides them, does not count.

    Parameters
    ----------
    things_mm : name -> (N, 3) array, level frame

    >>> ahead = EndoscopeView("right", (0.0, 0.0), np.zeros(3))
    >>> hours_in_view(ahead, {"cranial": np.array([[0, -9.0, 5]]), "round": np.array([[0, -9.0, 5], [0, -9.0, -5]])})
    {'cranial': 3.0, 'round': 0.0}
    """
    axis, hours = axis_level(view.side, *view.tilts_deg), {}
    for name, points in things_mm.items():
        offset = points - view.through_mm
        across = offset - (offset @ axis)[:, None] * axis
        seen = across[np.linalg.norm(across, axis=1) <= VIEW_MM]
        if len(seen):
            mean = seen.mean(axis=0)
            own_mm = np.sqrt((seen**2).sum(axis=1).mean())
            in_middle = np.linalg.norm(mean) <= MIDDLE_SHARE * own_mm
            hours[name] = MIDDLE if in_middle else clock_hour(view.side, view.tilts_deg, mean)
    return hours


def docking_clock(anatomy: Anatomy, level: Level, side: Side, tilts_deg: tuple[float, float]) -> dict[str, float]:
    """Docking landmark -> clock hour about the window's centre, in DOCKING_ORDER; the centre itself reads MIDDLE.

    A landmark that shows no bone within VIEW_MM of the line of view is left out.
    """
    view = EndoscopeView(side, tilts_deg, canal_entry_in_view(level, side).centre_mm)
    bones = {
        name: _voxels_mm(anatomy, level, labels, view.through_mm, 2 * VIEW_MM)
        for name, labels in _docking_bones(level, side).items()
    }
    return {DOCKING_ORDER[0]: MIDDLE} | hours_in_view(view, bones)


def near_clock(prepared: PreparedLevel, approach: Approach) -> dict[str, float]:
    """NEAR_SIGHTS -> hour about the window's centre, looking along the first phase."""
    level, side, first = prepared.level, approach.side, approach.phases[0]
    view = EndoscopeView(
        side, (first.medial_tilt_deg, first.cranial_tilt_deg), canal_entry_in_view(level, side).centre_mm
    )
    labels = _docking_bones(level, side) | {
        "ligament": [int(Tissue.FLAVUM)],
        "dural sac": [int(Tissue.SAC)],
        "spinous base": _of_both(level, Part.SPINOUS_BASE),
    }
    things = {name: _canal_voxels_mm(prepared, values) for name, values in labels.items()}
    return hours_in_view(view, things | {"ipsilateral recess": _target_mm(prepared, side, "lateral recess")})


def far_clock(prepared: PreparedLevel, approach: Approach) -> dict[str, float]:
    """FAR_SIGHTS -> hour about the channel's own line, looking along the phase over the top."""
    return hours_in_view(far_view(prepared.level, approach), _far_things_mm(prepared, other_side(approach.side)))


def far_view(level: Level, approach: Approach) -> EndoscopeView:
    """The view down the channel over the top; of the last phase where none is named so."""
    phases = placed_phases(approach, level.frame)
    phase = phases[far_phase([one.name for one in phases])]
    tilts = tilts_deg(approach.side, level.frame.direction_level(phase.axis_ras))
    return EndoscopeView(approach.side, tilts, level.frame.to_level_mm(phase.pivot_ras_mm))


def _far_things_mm(prepared: PreparedLevel, far: Side) -> dict[str, Float]:
    level = prepared.level
    labels = {
        "dural sac": [int(Tissue.SAC)],
        "spinous base": _of_both(level, Part.SPINOUS_BASE),
        "contralateral upper lamina": [label_of(level.upper, sided("lamina", far))],
        "contralateral lower lamina": [label_of(level.lower, sided("lamina", far))],
        # what roofs the canal's far half: there the view goes
        "roof of the canal": [
            *(label_of(vertebra, sided("lamina", far)) for vertebra in (level.upper, level.lower)),
            label_of(level.upper, sided("inferior_articular", far)),
        ],
    }
    things = {name: _canal_voxels_mm(prepared, values) for name, values in labels.items()}
    things["contralateral facet joint"] = _joint_mm(level, far)
    for name, which in FAR_TARGETS.items():
        things[name] = _target_mm(prepared, far, which)
    return {name: things[name] for name in FAR_SIGHTS}


def _joint_mm(level: Level, side: Side) -> Float:
    joint = level.joints.get(side)
    if joint is None:
        return np.empty((0, 3))
    return level.frame.to_level_mm(np.concatenate([joint.inferior_face_ras_mm, joint.superior_face_ras_mm]))


def _target_mm(prepared: PreparedLevel, side: Side, name: str) -> Float:
    targets = prepared.level.targets.get(side)
    points = np.empty((0, 3)) if targets is None else targets.points_ras_mm.get(name, np.empty((0, 3)))
    return prepared.level.frame.to_level_mm(points)


def _docking_bones(level: Level, side: Side) -> dict[str, list[int]]:
    joint = [
        label_of(level.upper, sided("inferior_articular", side)),
        label_of(level.lower, sided("superior_articular", side)),
    ]
    laminae = [[label_of(vertebra, sided("lamina", side))] for vertebra in (level.upper, level.lower)]
    return dict(zip(DOCKING_ORDER[1:], (laminae[0], joint, laminae[1]), strict=True))


def _of_both(level: Level, part: Part) -> list[int]:
    return [label_of(vertebra, part) for vertebra in (level.upper, level.lower)]


def _canal_voxels_mm(prepared: PreparedLevel, labels: list[int]) -> Float:
    return _voxels_mm(prepared.anatomy, prepared.level, labels, np.zeros(3), CANAL_REACH_MM)


def _voxels_mm(anatomy: Anatomy, level: Level, labels: list[int], centre_mm: Float, reach_mm: float) -> Float:
    """(N, 3) array, level frame: voxel centres of some labels within a reach of a point along the grid's axes."""
    box = anatomy.grid.box_around(level.frame.to_world_mm(centre_mm)[None], reach_mm)
    index = np.argwhere(np.isin(anatomy.labels[box], labels))
    return level.frame.to_level_mm(anatomy.grid.cropped(box).world_mm(index))
