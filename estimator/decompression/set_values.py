"""The decompression set as a value: cells of the scan that are to be taken, with kind, side and zone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from canalwise.estimator.decompression.room import RoomNeeded
from canalwise.estimator.decompression.stations import half_height_mm
from canalwise.estimator.level.level_bone import LevelBone
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask, Side


@dataclass(frozen=True, eq=False)
class DecompressionSet:
    """The tissue to take, voxel by voxel, N of them.

    Parameters
    ----------
    level, level_bone, room : what it was found in
    voxels : (N,) array, flat indices into the level bone's arrays
    share : (N,) array, how much of each voxel lies in the room
    tissue_mm3 : (N,) array, ligament and calcification in the room
    bone_mm3 : (N,) array, bony overhang in the room
    kind, zone : (N,) arrays
    labels : (N,) array, of the bone, 0 for other tissue
    level_mm : (N, 3) array, centres in the level frame
    standing_mm3 : 'disc', 'body', 'pedicle' -> what stands in the room and is not taken
    """

    level: Level
    level_bone: LevelBone
    room: RoomNeeded
    voxels: npt.NDArray[np.intp]
    share: Float
    tissue_mm3: Float
    bone_mm3: Float
    kind: npt.NDArray[np.uint8]
    zone: npt.NDArray[np.uint8]
    labels: npt.NDArray[np.uint16]
    level_mm: Float
    standing_mm3: Mapping[str, float]

    @cached_property
    def mm3(self) -> Float:
        """(N,) array: all tissue of the set in each voxel."""
        return self.tissue_mm3 + self.bone_mm3

    @property
    def total_mm3(self) -> float:
        """All of it."""
        return float(self.mm3.sum())

    def on_side(self, side: Side) -> Mask:
        """(N,) array: does a voxel's centre lie on that side of the patient? The midline counts to the left."""
        left: Mask = self.level_mm[:, 0] >= 0
        return left if side == "left" else ~left

    def share_on_side(self, side: Side) -> Float:
        """(N,) array: how much of each voxel lies on that side; those of the midline lie on both."""
        edge_mm = self.level_bone.grid.voxel_mm3 ** (1 / 3)
        across = self.level_mm[:, 0] / edge_mm
        return np.asarray(np.clip(0.5 + (across if side == "left" else -across), 0.0, 1.0))

    def half(self, side: Side) -> DecompressionSet:
        """The part of the set on one side."""
        mine = self.on_side(side)
        names = ("voxels", "share", "tissue_mm3", "bone_mm3", "kind", "zone", "labels", "level_mm")
        return replace(self, **{name: getattr(self, name)[mine] for name in names})

    @cached_property
    def half_height_mm(self) -> float:
        """Half the extent of a voxel along the level's axis."""
        return half_height_mm(self.level_bone.grid, self.level)

    def by_station_mm2(self, amount_mm3: Float) -> Float:
        """(S,) array: area at each station that (N,) amounts of the set's voxels make up."""
        return np.asarray(self.station_shares @ amount_mm3)

    @cached_property
    def station_shares(self) -> Float:
        """(S, N) array: how much of each voxel lies at each station."""
        return self.room.stations.shares(self.level_mm[:, 2], self.half_height_mm)
