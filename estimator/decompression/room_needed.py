"""The room a level's sac and roots need: how much of each voxel lies in it, and in which part of it.

1. Between both insertions of the ligament, the sac's unpressed section (`sac_section`).
2. With the recesses, the corridors of the traversing roots; with the foramen, those of the exiting ones too.
3. A voxel's share is read from its signed depth, so that borders are not stepped, times how much of its height lies
   between the insertions. It belongs to the zone in which it lies deepest, the section first.

It depends on the patient alone: no approach, no instrument.
"""

from __future__ import annotations

from typing import get_args

import numpy as np
import numpy.typing as npt

from canalwise.estimator.decompression.room import Breadth, RoomNeeded, RootCorridor, SacSection
from canalwise.estimator.decompression.root_corridor import foramen_corridor, recess_corridor
from canalwise.estimator.decompression.rules import ResectionRules
from canalwise.estimator.decompression.sac_section import sac_section
from canalwise.estimator.decompression.stations import CanalStations, half_height_mm, stations_of
from canalwise.estimator.level.level_bone import LevelBone
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.errors import AnatomyNotFound, WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Tissue, canal_mask

BREADTHS: tuple[Breadth, ...] = get_args(Breadth)

CENTRAL, RECESS, FORAMEN = 1, 2, 3
"""Zones of the room, in the order in which they are freed."""

ROOM_HALF_MM = 25.0
"""No room is needed further lateral, ventral or dorsal of the level's axis than this."""


def room_needed(
    anatomy: Anatomy, level: Level, level_bone: LevelBone, breadth: Breadth, rules: ResectionRules
) -> RoomNeeded:
    """The room a level needs.

    Raises
    ------
    AnatomyNotFound : no dural sac, or no ligament, near the level
    WrongUse : a breadth that is not one of BREADTHS
    """
    if breadth not in BREADTHS:
        raise WrongUse("breadth", f"must be one of {', '.join(BREADTHS)}", got=breadth)
    labels = anatomy.labels[level_bone.box]
    sac, canal = _level_mm(level, level_bone, labels == Tissue.SAC), _level_mm(level, level_bone, canal_mask(labels))
    if not len(sac):
        raise AnatomyNotFound(
            "dural sac", "must be labelled or modelled at the level", do="Build the case again with a label map."
        )
    stations = stations_of(level, _level_mm(level, level_bone, labels == Tissue.FLAVUM)[:, 2])
    voxel = level_bone.grid.voxel_mm3, half_height_mm(level_bone.grid, level)
    section = sac_section(level, sac, voxel, rules.value("sac_area_mm2"))
    corridors = _corridors(level, (section, stations), canal, (breadth, rules))
    return _filled(level, level_bone, (breadth, stations, section, corridors))


def _corridors(
    level: Level, course: tuple[SacSection, CanalStations], canal_mm: Float, wish: tuple[Breadth, ResectionRules]
) -> tuple[RootCorridor, ...]:
    (section, stations), (breadth, rules) = course, wish
    radius, found = rules.value("corridor_radius_mm"), []
    for side in SIDES if breadth != "central" else ():
        found.append(recess_corridor(level, side, section, stations, canal_mm, radius))
    for side in SIDES if breadth == "with foramen" else ():
        found.append(foramen_corridor(level, side, canal_mm, radius, rules.value("foramen_beyond_wall_mm")))
    return tuple(corridor for corridor in found if corridor is not None)


def _filled(
    level: Level, level_bone: LevelBone, outline: tuple[Breadth, CanalStations, SacSection, tuple[RootCorridor, ...]]
) -> RoomNeeded:
    """The voxels of an outline."""
    breadth, stations, section, corridors = outline
    voxels, points = _near(level, level_bone, stations)
    depths = [section.depth_mm(points)]
    zones = [CENTRAL]
    for corridor in corridors:
        depths.append(corridor.depth_mm(points))
        zones.append(RECESS if corridor.kind == "recess" else FORAMEN)
    edge = float(level_bone.grid.voxel_mm3 ** (1 / 3))
    shares = np.clip(0.5 + np.array(depths) / edge, 0.0, 1.0)
    deepest = shares.max(axis=0)
    # the section first: what lies in it as much as in a corridor is the section's
    zone = np.array(zones, dtype=np.uint8)[shares.argmax(axis=0)]
    share = deepest * stations.share_within(points[:, 2], half_height_mm(level_bone.grid, level))
    inside = share > 0
    return RoomNeeded(
        breadth, stations, section, corridors, voxels[inside], share[inside], zone[inside], points[inside]
    )


def _near(level: Level, level_bone: LevelBone, stations: CanalStations) -> tuple[npt.NDArray[np.intp], Float]:
    """Flat indices and level coordinates of the level's voxels that may lie in the room."""
    half = np.array([ROOM_HALF_MM, ROOM_HALF_MM])
    corners = [
        [x, y, z]
        for x in (-half[0], half[0])
        for y in (-half[1], half[1])
        for z in (stations.caudal_mm, stations.cranial_mm)
    ]
    i, j, k = level_bone.grid.box_around(level.frame.to_world_mm(np.array(corners)), 1.0)
    index = np.stack(
        np.meshgrid(np.arange(i.start, i.stop), np.arange(j.start, j.stop), np.arange(k.start, k.stop), indexing="ij"),
        axis=-1,
    ).reshape(-1, 3)
    points = level.frame.to_level_mm(level_bone.grid.world_mm(index))
    margin = float(level_bone.grid.spacing_mm.max())
    within = (np.abs(points[:, :2]) <= half).all(axis=1)
    within &= (points[:, 2] <= stations.cranial_mm + margin) & (points[:, 2] >= stations.caudal_mm - margin)
    return np.ravel_multi_index(tuple(index[within].T), level_bone.grid.shape), points[within]


def _level_mm(level: Level, level_bone: LevelBone, mask: npt.NDArray[np.bool_]) -> Float:
    """(N, 3) array, level frame: centres of a mask's voxels."""
    return level.frame.to_level_mm(level_bone.grid.world_mm(np.argwhere(mask)))
