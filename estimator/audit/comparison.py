"""Planned against achieved: what both share, what was planned and not taken, and what was taken unplanned."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cc3d
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.estimator.audit.rules import rule
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.estimator.removal.structure_names import by_structure
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import triple
from canalwise.recon.labels import Side, label_names

MOST_PLACES = 8
"""Places of either kind that are listed, the largest."""


@dataclass(frozen=True)
class PlaceToCheck:
    """A piece of bone to look at: its middle (left, dorsal, cranial mm of the level frame), volume and structure."""

    at_level_mm: tuple[float, float, float]
    mm3: float
    structure: str


@dataclass(frozen=True, eq=False)
class PlannedAgainstAchieved:
    """Both removals of the same bone.

    Parameters
    ----------
    planned_mm3, achieved_mm3, both_mm3, missed_mm3, unplanned_mm3 : missed and both sum to what was planned, unplanned
        and both to what was achieved
    overlap_frac : twice what both share over their sum (Dice)
    missed_by_structure, unplanned_by_structure : mm3
    missed, unplanned : places, the largest first
    """

    planned_mm3: float
    achieved_mm3: float
    both_mm3: float
    missed_mm3: float
    unplanned_mm3: float
    overlap_frac: float
    missed_by_structure: Mapping[str, float]
    unplanned_by_structure: Mapping[str, float]
    missed: tuple[PlaceToCheck, ...]
    unplanned: tuple[PlaceToCheck, ...]


def planned_against_achieved(level: Level, side: Side, planned: Removal, achieved: Removal) -> PlannedAgainstAchieved:
    """Comparison of two removals of one level's bone; structures are named for an approach from `side`."""
    bone = achieved.level_bone.bone_mm3
    wanted, taken = planned.taken_frac, achieved.taken_frac
    missed, unplanned = np.maximum(wanted - taken, 0), np.maximum(taken - wanted, 0)
    sums = [float((bone * share).sum(dtype=float)) for share in (wanted, taken, np.minimum(wanted, taken))]
    total = sums[0] + sums[1]
    return PlannedAgainstAchieved(
        sums[0],
        sums[1],
        sums[2],
        sums[0] - sums[2],
        sums[1] - sums[2],
        2 * sums[2] / total if total > 0 else float("nan"),
        _by_structure(level, side, achieved, missed),
        _by_structure(level, side, achieved, unplanned),
        places_of(level, achieved, missed),
        places_of(level, achieved, unplanned),
    )


def _by_structure(level: Level, side: Side, removal: Removal, share: npt.NDArray[np.float32]) -> dict[str, float]:
    voxels = np.flatnonzero(share)
    part = Removal(removal.level_bone, voxels, share.reshape(-1)[voxels])
    return {name: mm3 for name, mm3 in by_structure(level, side, part.by_label_mm3).items() if mm3 > 0}


def places_of(level: Level, removal: Removal, share: npt.NDArray[np.float32]) -> tuple[PlaceToCheck, ...]:
    """Connected pieces of a share of the bone, the largest first; small ones are left out.

    `share` (nx, ny, nz) array, 0..1, on the grid of the removal's bone.
    """
    level_bone, names = removal.level_bone, label_names()
    marks = cc3d.connected_components(share * (level_bone.bone_mm3 > 0) >= 0.5, connectivity=6)
    found = []
    for n, box in enumerate(ndimage.find_objects(marks.astype(np.int32)), start=1):
        if box is None:
            continue
        mask = marks[box] == n
        bone = np.where(mask, level_bone.bone_mm3[box], 0)
        mm3 = float(bone.sum(dtype=float))
        if mm3 >= rule("place_mm3"):
            start = np.array([s.start for s in box])
            index = np.argwhere(mask) + start
            middle = np.average(level_bone.grid.world_mm(index), axis=0, weights=np.maximum(bone[mask], 1e-9))
            labels = level_bone.labels[box][mask]
            most = int(np.bincount(labels, weights=bone[mask]).argmax())
            found.append(PlaceToCheck(triple(level.frame.to_level_mm(middle)), mm3, names.get(most, "bone")))
    return tuple(sorted(found, key=lambda place: -place.mm3)[:MOST_PLACES])
