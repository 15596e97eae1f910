"""Room needed and resection as label maps on the case's own grid, to be shown, edited and exported."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from canalwise.estimator.resection.resection_level import Resection, ResectionLevel

ROOM, LIGAMENT, CALCIFICATION, OVERHANG = 1, 2, 3, 4
"""Values of the room's map: room that is free, and the three kinds of tissue that stand in it."""

HALF = 0.5
"""A voxel belongs to what fills at least this share of it."""

Map = npt.NDArray[np.uint8]


def room_map(at: ResectionLevel) -> Map:
    """(nx, ny, nz) array on the case's grid: the room needed, and the kind of tissue to be taken where there is any."""
    room, wanted = at.room, at.wanted
    out = np.zeros(at.level_bone.grid.shape, dtype=np.uint8)
    out.reshape(-1)[room.voxels[room.share >= HALF]] = ROOM
    mostly = wanted.mm3 >= HALF * at.level_bone.grid.voxel_mm3
    out.reshape(-1)[wanted.voxels[mostly]] = wanted.kind[mostly] + 1
    return _on_case(at, out)


def resection_map(resection: Resection) -> Map:
    """(nx, ny, nz) array on the case's grid: percent of each voxel's bone that is taken."""
    percent = np.zeros(resection.removal.level_bone.grid.shape, dtype=np.uint8)
    percent.reshape(-1)[resection.removal.voxels] = np.rint(100 * resection.removal.share).astype(np.uint8)
    return _on_case(resection.at, percent)


def _on_case(at: ResectionLevel, values: Map) -> Map:
    out = np.zeros(at.anatomy.grid.shape, dtype=np.uint8)
    out[at.level_bone.box] = values
    return out
