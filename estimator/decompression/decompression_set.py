"""What stands in the room needed and is not sac: the tissue a decompression has to take.

1. Ligament of both sides and calcification: voxels of these labels, less the bone that shares a voxel with them.
2. Bony overhang: bone of facets, laminae and spinous base inside the room, by its occupancy.
3. Pedicles and bodies are never taken, discs are not taken from behind: how much of them stands in the room is
   reported.

Amounts are mm3 of tissue within the room: share of the voxel in the room times what the voxel holds.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from canalwise.estimator.decompression.room import RoomNeeded
from canalwise.estimator.decompression.set_values import DecompressionSet
from canalwise.estimator.level.level_bone import PROTECTED_PARTS, LevelBone
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import Part, Tissue, bone_mask

LIGAMENT, CALCIFICATION, OVERHANG = 1, 2, 3
"""Kinds of tissue in the set."""

KIND_NAMES: Mapping[int, str] = {LIGAMENT: "ligament", CALCIFICATION: "calcification", OVERHANG: "bony overhang"}

LEAST_SHARE = 1e-3
"""A voxel with less of its volume in the set is left out."""


def decompression_set(anatomy: Anatomy, level: Level, level_bone: LevelBone, room: RoomNeeded) -> DecompressionSet:
    """What is to be taken from a room."""
    tissue = anatomy.labels[level_bone.box].reshape(-1)[room.voxels]
    bone = level_bone.bone_mm3.reshape(-1)[room.voxels].astype(float)
    labels = level_bone.labels.reshape(-1)[room.voxels]
    takeable = bone_mask(labels) & ~np.isin(labels % 100, PROTECTED_PARTS)
    pressing = np.isin(tissue, (Tissue.FLAVUM, Tissue.CALCIFIED))
    soft_mm3 = np.where(pressing, np.maximum(level_bone.grid.voxel_mm3 - bone, 0.0), 0.0) * room.share
    bone_mm3 = np.where(takeable, bone, 0.0) * room.share
    kind = np.where(tissue == Tissue.CALCIFIED, CALCIFICATION, LIGAMENT)
    kind = np.where(bone_mm3 > soft_mm3, OVERHANG, kind).astype(np.uint8)
    wanted = soft_mm3 + bone_mm3 > LEAST_SHARE * level_bone.grid.voxel_mm3
    return DecompressionSet(
        level, level_bone, room, room.voxels[wanted], room.share[wanted], soft_mm3[wanted], bone_mm3[wanted],
        kind[wanted], room.zone[wanted], np.where(takeable, labels, 0).astype(np.uint16)[wanted],
        room.level_mm[wanted], _remaining(level_bone, room, labels, bone),
    )  # fmt: skip


def _remaining(
    level_bone: LevelBone, room: RoomNeeded, labels: npt.NDArray[np.uint16], bone_mm3: Float
) -> dict[str, float]:
    """mm3 of disc, body and pedicle in the room."""
    parts = labels % 100
    disc = (labels >= 100) & (parts == Part.DISC)
    body = bone_mask(labels) & (parts == Part.BODY)
    pedicle = bone_mask(labels) & np.isin(parts, (Part.PEDICLE_LEFT, Part.PEDICLE_RIGHT))
    return {
        "disc": float(room.share[disc].sum() * level_bone.grid.voxel_mm3),
        "body": float((room.share * bone_mm3)[body].sum()),
        "pedicle": float((room.share * bone_mm3)[pedicle].sum()),
    }
