"""A first approach from the anatomy alone: where a surgeon would start from, not yet a search."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from estimator.approach import IPSILATERAL, OVER_THE_TOP, Approach, Phase, other_side, tilts_deg
from estimator.channel import Channel
from estimator.reach import all_points_mm
from recon.anatomy import Anatomy, Level
from recon.errors import AnatomyNotFound
from recon.grid import Float
from recon.labels import Side, bone_mask
from recon.skin import skin_point_mm

PIVOT_DISTANCE_MM = (40.0, 60.0)
"""Skin and fascia hold the channel this far dorsal of the lamina (design value; common practice, no source)."""

DOCKING_SEARCH_MM = 20.0
"""Bone further than this dorsal of the window is no docking place (common practice, no source)."""

DEFAULT_SWEEP_DEG = 3.0
"""Half-angle about each phase's axis, the middle of the usual 2-4 deg (common practice, no source)."""


def default_approach(anatomy: Anatomy, level_name: str, side: Side, channel: Channel | None = None) -> Approach:
    """Dock at the window's centre, go in along its normal, then tilt until the far recess is in the sweep.

    Raises
    ------
    LevelNotInView : no such level
    AnatomyNotFound : the window of that side, or a recess, is not in view
    """
    level, channel = anatomy.level(level_name), channel or Channel()
    docking = docking_point_mm(anatomy, level, side, channel.sleeve_radius_mm)
    inward = -level.frame.direction_level(_window_normal(level, side))
    distance_mm = _pivot_distance_mm(anatomy, level, docking, inward)
    near = _aimed(level, side, docking, inward, IPSILATERAL)
    pivot = docking - distance_mm * inward
    far = _recess_points_mm(level, other_side(side)).mean(axis=0)
    over = _aimed(level, other_side(side), pivot, far - pivot, OVER_THE_TOP, side=side, passed_mm=distance_mm)
    phases = tuple(_with_sleeve(phase, channel) for phase in (near, over))
    x, y, z = (float(v) for v in docking)
    return Approach(level_name, side, (x, y, z), distance_mm, phases, channel)


def docking_point_mm(anatomy: Anatomy, level: Level, side: Side, sleeve_radius_mm: float) -> Float:
    """(3,) array, level frame: where a sleeve lowered along the window's normal onto its centre first meets bone.

    The window's own centre when the sleeve passes the opening without touching.
    """
    window = level.windows[side]
    normal = _window_normal(level, side)
    near = anatomy.grid.box_around(window.centre_ras_mm[None], DOCKING_SEARCH_MM + 2 * sleeve_radius_mm)
    bone = bone_mask(anatomy.labels[near]) & (anatomy.occupancy[near] >= 0.5)
    offset = anatomy.grid.cropped(near).world_mm(np.argwhere(bone)) - window.centre_ras_mm
    height = offset @ normal
    beside = np.linalg.norm(offset - height[:, None] * normal, axis=1)
    met = height[(beside < sleeve_radius_mm) & (height > 0) & (height < DOCKING_SEARCH_MM)]
    return level.frame.to_level_mm(window.centre_ras_mm + met.max(initial=0.0) * normal)


def _window_normal(level: Level, side: Side) -> Float:
    if side not in level.windows:
        raise AnatomyNotFound(
            f"interlaminar window {level.name} {side}",
            "must be in view to dock on",
            do="Give an approach with --plan, or choose the other side.",
        )
    return level.windows[side].normal_ras


def _pivot_distance_mm(anatomy: Anatomy, level: Level, docking_mm: Float, inward: Float) -> float:
    """Docking point to skin along the first axis, kept within PIVOT_DISTANCE_MM; its middle when no skin is in view."""
    outward = level.frame.direction_ras(-inward)
    start = level.frame.to_world_mm(docking_mm)
    skin = skin_point_mm(anatomy.labels, anatomy.grid, start, outward)
    if skin is None:
        return float(np.mean(PIVOT_DISTANCE_MM))
    return float(np.clip(np.linalg.norm(skin - start), *PIVOT_DISTANCE_MM))


def _recess_points_mm(level: Level, side: Side) -> Float:
    points = level.targets[side].points_ras_mm.get("lateral recess") if side in level.targets else None
    if points is None or len(points) == 0:
        raise AnatomyNotFound(f"lateral recess {level.name} {side}", "must be in view to aim at")
    return level.frame.to_level_mm(points)


def _aimed(
    level: Level,
    target_side: Side,
    origin: Float,
    direction: Float,
    name: str,
    *,
    side: Side | None = None,
    passed_mm: float = 0.0,
) -> Phase:
    """A phase along a direction, deep enough to touch every target of a side from an origin on its axis."""
    medial, cranial = tilts_deg(side or target_side, direction)
    axis = direction / np.linalg.norm(direction)
    depth = ((level.frame.to_level_mm(all_points_mm(level.targets[target_side])) - origin) @ axis).max()
    return Phase(name, medial, cranial, DEFAULT_SWEEP_DEG, tip_past_lamina_mm=float(depth - passed_mm))


def _with_sleeve(phase: Phase, channel: Channel) -> Phase:
    """The phase with its sleeve advanced as far as the scope's working distance allows, never short of the bone."""
    return replace(phase, sleeve_past_lamina_mm=max(0.0, phase.tip_past_lamina_mm - channel.working_distance_mm))
