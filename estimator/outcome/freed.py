"""What a resection frees: area at every station, share of the set by side and kind, roots, insertions, reach.

Free area at a station is bony canal less ligament and calcification, in a slab of 1 mm across the level's axis. Needed
is what it would be if all of the set were taken, after is what it is with what is taken: both lie within the bony
canal, to which the overhang that the room takes from the bone is counted.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.decompression.decompression_set import KIND_NAMES
from canalwise.estimator.decompression.room import RootCorridor
from canalwise.estimator.decompression.set_values import DecompressionSet
from canalwise.estimator.outcome.outcome_values import FarReach, Freed, StationAreas
from canalwise.estimator.resection.resection_level import LEVELS_KEPT, Resection, ResectionLevel
from canalwise.estimator.resection.tool_lines import STOPPED_BY
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Side, Tissue, canal_mask

INSERTION_MM = 3
"""CanalStations at either end that make up an insertion of the ligament (choice)."""


def freed_by(resection: Resection) -> Freed:
    """What a resection frees."""
    return freed_with(resection.at, resection.taken_frac)


def freed_with(at: ResectionLevel, taken: Float) -> Freed:
    """What is freed when (N,) shares of the set's voxels are taken."""
    wanted = at.wanted
    stations = wanted.room.stations.z_mm
    ends = {
        "cranial": wanted.level_mm[:, 2] > stations[0] - INSERTION_MM + 0.5,
        "caudal": wanted.level_mm[:, 2] < stations[-1] + INSERTION_MM - 0.5,
    }
    return Freed(
        share=taken_share(wanted, taken, np.ones(len(taken))),
        by_side={side: taken_share(wanted, taken, wanted.share_on_side(side)) for side in SIDES},
        by_kind={name: taken_share(wanted, taken, 1.0 * (wanted.kind == kind)) for kind, name in KIND_NAMES.items()},
        insertions={end: taken_share(wanted, taken, 1.0 * mine) for end, mine in ends.items()},
        areas=_areas(at, taken),
        at_disc=wanted.room.stations.at_disc,
        root_room_mm=_root_rooms_mm(wanted, taken),
        root_room_before_mm=dict(_standing_areas(at).root_room_mm),
        sac_seen=at.anatomy.sources.get("sac", "modelled") != "modelled",
    )


def taken_share(wanted: DecompressionSet, taken_frac: Float, part: Float) -> float:
    """Share of a part of the set's volume that is taken, (N,) of each voxel; NaN where there is none."""
    whole = float(wanted.mm3 @ part)
    return float((wanted.mm3 * part) @ taken_frac) / whole if whole > 0 else float("nan")


def _areas(at: ResectionLevel, taken: Float) -> StationAreas:
    wanted = at.wanted
    standing, stations = _standing_areas(at), wanted.room.stations
    left = wanted.by_station_mm2(wanted.mm3 * (1 - taken) * (wanted.zone == 1))
    return StationAreas(
        stations.z_mm, standing.before_mm2, standing.needed_mm2,
        standing.before_mm2 + wanted.by_station_mm2(wanted.mm3 * taken), standing.bony_mm2, standing.sac_mm2,
        standing.unpressed_mm2, standing.unpressed_mm2 - left,
    )  # fmt: skip


class StandingAreas(NamedTuple):
    """(S,) arrays, areas at every station that no resection changes; and the roots' room as it is."""

    before_mm2: Float
    needed_mm2: Float
    bony_mm2: Float
    sac_mm2: Float
    unpressed_mm2: Float
    root_room_mm: dict[Side, float]


@lru_cache(LEVELS_KEPT)
def _standing_areas(at: ResectionLevel) -> StandingAreas:
    wanted = at.wanted
    stations, section = wanted.room.stations, wanted.room.section
    labels = at.anatomy.labels[at.level_bone.box]
    canal = np.argwhere(canal_mask(labels))
    z = at.level.frame.to_level_mm(at.level_bone.grid.world_mm(canal))[:, 2]
    near = (z < stations.cranial_mm + 2) & (z > stations.caudal_mm - 2)
    canal, z = canal[near], z[near]
    kinds, voxel = labels[tuple(canal.T)], at.level_bone.grid.voxel_mm3
    whole = np.full(len(z), voxel)
    pressing = np.isin(kinds, (Tissue.FLAVUM, Tissue.CALCIFIED))
    bony = stations.sums(z, wanted.half_height_mm, whole)
    before = bony - stations.sums(z, wanted.half_height_mm, whole * pressing)
    return StandingAreas(
        before,
        before + wanted.by_station_mm2(wanted.mm3),
        bony + wanted.by_station_mm2(wanted.bone_mm3),
        stations.sums(z, wanted.half_height_mm, whole * (kinds == Tissue.SAC)),
        section.area_mm2(stations.z_mm),
        _root_rooms_mm(wanted, np.zeros(len(wanted.mm3))),
    )


def _root_rooms_mm(wanted: DecompressionSet, taken_frac: Float) -> dict[Side, float]:
    corridors = {c.side: c for c in wanted.room.corridors if c.kind == "recess"}
    return {side: _root_room_mm(wanted, taken_frac, corridors.get(side)) for side in SIDES}


def _root_room_mm(wanted: DecompressionSet, taken_frac: Float, corridor: RootCorridor | None) -> float:
    """Least free height of a corridor over the stations."""
    if corridor is None:
        return float("nan")
    section, blocking = _corridor_sections(wanted, corridor)
    standing = wanted.by_station_mm2(blocking * (1 - taken_frac))
    return least_free_frac(section, standing) * 2 * corridor.radius_mm


def least_free_frac(section_mm2: Float, standing_mm2: Float) -> float:
    """Least free share of sections of which at least half is there; NaN where a corridor meets no station.

    >>> least_free_frac(np.array([4.0, 10.0]), np.array([4.0, 1.0]))
    0.9
    >>> least_free_frac(np.zeros(2), np.zeros(2))
    nan
    """
    there = section_mm2 > 0.5 * section_mm2.max()
    free = 1 - standing_mm2[there] / section_mm2[there]
    return float(free.min()) if there.any() else float("nan")


@lru_cache(2 * LEVELS_KEPT)
def _corridor_sections(wanted: DecompressionSet, corridor: RootCorridor) -> tuple[Float, Float]:
    """(S,) array, a corridor's area at every station; (N,) array, mm3 of it that each voxel of the set blocks."""
    room, edge = wanted.room, wanted.level_bone.grid.voxel_mm3 ** (1 / 3)
    whole = np.clip(0.5 + corridor.depth_mm(room.level_mm) / edge, 0.0, 1.0) * wanted.level_bone.grid.voxel_mm3
    blocked = np.clip(0.5 + corridor.depth_mm(wanted.level_mm) / edge, 0.0, 1.0)
    blocking = np.where(wanted.share > 0, wanted.mm3 / np.maximum(wanted.share, 1e-9), 0.0) * blocked
    return room.stations.sums(room.level_mm[:, 2], wanted.half_height_mm, whole), blocking


ALL_TAKEN = "nothing: all of the contralateral side is taken"


def far_reach(resection: Resection) -> FarReach:
    """The reach of a resection on the side across."""
    wanted, taken = resection.at.wanted, resection.taken_frac
    far = wanted.on_side(other_side(resection.approach.side))
    lateral = np.abs(wanted.level_mm[:, 0])
    edge = wanted.level_bone.grid.voxel_mm3 ** (1 / 3)
    # half of a voxel taken puts the border at its centre
    border = np.where(far & (taken > 0), lateral + (taken - 0.5) * edge, 0.0)
    disc = np.abs(wanted.level_mm[:, 2]) <= 1.0
    reach = float(border.max(initial=0.0))
    missed = far & (taken < 0.5) & (wanted.mm3 > 0.1 * wanted.level_bone.grid.voxel_mm3)
    beyond = np.flatnonzero(missed & (lateral >= reach - edge)) if missed.any() else np.zeros(0, dtype=int)
    # what lies next beyond the border tells what stops the reach; tissue missed short of it only where there is none
    candidates = beyond if len(beyond) else np.flatnonzero(missed)
    at_disc = float(border[disc].max(initial=0.0))
    if not len(candidates):
        return FarReach(reach, at_disc, ALL_TAKEN, None)
    first = int(candidates[lateral[candidates].argmin()])
    x, y, z = (float(v) for v in wanted.level_mm[first])
    return FarReach(reach, at_disc, blocking_structures(resection, first), (x, y, z))


def blocking_structures(resection: Resection, voxel: int) -> str:
    """Why a voxel of the set is not taken: what stops most lines to the tips that would take it."""
    cell, tips = resection.at.set_cells.of_voxel[voxel], resection.tips
    of_tip = np.repeat(np.arange(len(tips.places_mm)), np.diff(tips.starts))
    stopped = resection.lines.blocking_structures
    mine = of_tip[(tips.takes == cell) & (of_tip < stopped.shape[1])]
    if not len(mine):
        return "no place for the tool's tip within its bite"
    causes = np.bincount(stopped[:, mine].ravel(), minlength=6)
    if causes[0]:
        return "edge of the bite, or the bone that more would cost"
    return STOPPED_BY[int(causes.argmax())]
