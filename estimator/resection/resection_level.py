"""A level made ready for resections: what is to be freed there, and all that no approach changes; a resection of it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.decompression.decompression_set import OVERHANG, decompression_set
from canalwise.estimator.decompression.level_cells import CELL_MM, LevelCells, PricedCells, level_cells
from canalwise.estimator.decompression.room import Breadth, RoomNeeded
from canalwise.estimator.decompression.room_needed import room_needed
from canalwise.estimator.decompression.rules import ResectionRules
from canalwise.estimator.decompression.set_values import DecompressionSet
from canalwise.estimator.geometry.bricks import Bricks, bricks_of_voxels
from canalwise.estimator.level.keep_out import KeepOut
from canalwise.estimator.level.level_bone import BoneBricks, LevelBone, bone_bricks
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.estimator.resection.bite import TIP_STEP_MM, set_cells, takes_at, tips_of
from canalwise.estimator.resection.line_values import EntryWindow, SetCells, Tips, ToolLines, Tunnels
from canalwise.estimator.resection.tunnels import LineRegion
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Part, Side, label_of, sided

LEVELS_KEPT = 2
"""Levels kept ready: what one surgeon goes back and forth between."""

TOOLS_KEPT = 4
"""Tips are kept for this many tools at a time."""


@dataclass(frozen=True, eq=False)
class ResectionLevel:
    """What every resection of a level shares; each part is found when first needed.

    Parameters
    ----------
    level_bone : the level's bone
    sac : what must be kept out of, for a tool of no width
    breadth : how much is to be freed
    edited : a set that takes the place of the one found, for a person who changed it
    """

    anatomy: Anatomy
    level: Level
    level_bone: LevelBone
    sac: KeepOut
    breadth: Breadth = "with recesses"
    rules: ResectionRules = field(default_factory=ResectionRules)
    edited: DecompressionSet | None = None

    @cached_property
    def room(self) -> RoomNeeded:
        """The room needed."""
        return room_needed(self.anatomy, self.level, self.level_bone, self.breadth, self.rules)

    @cached_property
    def wanted(self) -> DecompressionSet:
        """The tissue to take."""
        return self.edited or decompression_set(self.anatomy, self.level, self.level_bone, self.room)

    @cached_property
    def set_cells(self) -> SetCells:
        """The same in cells."""
        return set_cells(self.wanted)

    @cached_property
    def voxels_by_cell(self) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        """Voxels of the set ordered by their cells, and where each cell's begin.

        Returns
        -------
        by_cell : (N,) array, numbers of the set's voxels
        starts : (C + 1,) array; cell c holds the voxels by_cell[starts[c]:starts[c + 1]]
        """
        of_voxel = self.set_cells.of_voxel
        by_cell = np.argsort(of_voxel, kind="stable")
        return by_cell, np.searchsorted(of_voxel[by_cell], np.arange(len(self.set_cells.mm3) + 1))

    @cached_property
    def set_bricks(self) -> Bricks:
        """The same, as places in bricks, for a region to say which it holds."""
        index = np.stack(np.unravel_index(self.wanted.voxels, self.level_bone.grid.shape), axis=-1)
        return bricks_of_voxels(self.level_bone.grid, index)

    @cached_property
    def prices(self) -> Float:
        """(100,) array: what a mm3 of each part of a vertebra is worth."""
        return self.rules.prices()

    @cached_property
    def overhang(self) -> npt.NDArray[np.intp]:
        """(M,) array: numbers of the set's voxels that are bone for the most part."""
        return np.flatnonzero(self.wanted.kind == OVERHANG)

    @cached_property
    def overhang_voxels(self) -> npt.NDArray[np.intp]:
        """(M,) array: flat indices of these into the level bone's arrays."""
        return self.wanted.voxels[self.overhang]

    @cached_property
    def processes(self) -> BoneBricks:
        """Bone of both spinous processes."""
        labels = tuple(label_of(v, Part.SPINOUS_PROCESS) for v in (self.level.upper, self.level.lower))
        return bone_bricks(self.level_bone, only=labels)

    @cached_property
    def cells(self) -> LevelCells:
        """The lattice on which lines are chosen."""
        return level_cells(
            self.level,
            self.level_bone,
            self.room.stations,
            self.prices,
            self.rules.value("contact_mm"),
        )

    @cached_property
    def coarse_price(self) -> PricedCells:
        """Bone and its price in cells of twice the edge."""
        return self.cells.priced.gathered(2)

    @cached_property
    def solid(self) -> npt.NDArray[np.float32]:
        """(nx, ny, nz) array over the cells: 1 where bone that is not to be taken fills at least half of one."""
        solid = (self.cells.bone_distance_mm < 0).astype(np.float32)
        bony = self.wanted.bone_mm3 > 0.5 * self.wanted.mm3
        index = np.rint((self.wanted.level_mm[bony] - self.cells.origin_mm) / CELL_MM).astype(int)
        inside = ((index >= 0) & (index < solid.shape)).all(axis=1)
        solid[tuple(index[inside].T)] = 0.0
        return solid

    def keep_out(self, tool_radius_mm: float) -> KeepOut:
        """What a tool of that radius must keep out of."""
        return self.sac.of_tool(tool_radius_mm)

    def lamina_mm(self, side: Side) -> Float:
        """(N, 3) array, level frame: bone of both laminae of a side along the stations."""
        return self._laminae[side]

    @cached_property
    def _laminae(self) -> dict[Side, Float]:
        stations, found = self.room.stations, {}
        for side in SIDES:
            labels = [label_of(v, sided("lamina", side)) for v in (self.level.upper, self.level.lower)]
            index = np.argwhere(np.isin(self.level_bone.labels, labels) & (self.level_bone.bone_mm3 > 0))
            points = self.level.frame.to_level_mm(self.level_bone.grid.world_mm(index))
            along = (points[:, 2] <= stations.cranial_mm) & (points[:, 2] >= stations.caudal_mm)
            found[side] = points[along]
        return found

    @cached_property
    def _tips_of(self) -> dict[tuple[float, float], Tips]:
        return {}

    def tips(self, channel: Channel, step_mm: float = TIP_STEP_MM) -> Tips:
        """Where the tip of an instrument's tool may stand, so far apart, and what it takes there."""
        tool = (channel.tool_radius_mm, step_mm)
        found = self._tips_of.get(tool)
        if found is None:
            sizes = (self.rules.value("bite_mm"), *tool)
            keep_out = self.keep_out(channel.tool_radius_mm)
            found = tips_of(self.set_cells, self.cells, self.solid, keep_out, self.level.frame, sizes)
            # those of the tools last used are kept: a search tries few instruments, but each very often
            self._tips_of[tool] = found
            for oldest in list(self._tips_of)[:-TOOLS_KEPT]:
                self._tips_of.pop(oldest, None)
        return found

    def takes_at(self, places_mm: Float, channel: Channel, standing: bool = False) -> Tips:
        """What a tip of an instrument's tool takes at each of (T, 3) places, nothing where it cannot be `standing`."""
        tool = channel.tool_radius_mm
        sizes, keep_out = (self.rules.value("bite_mm"), tool), self.keep_out(tool)
        return takes_at(places_mm, self.set_cells, self.cells, self.solid, keep_out, self.level.frame, sizes, standing)


def with_set(at: ResectionLevel, wanted: DecompressionSet) -> ResectionLevel:
    """The same level with another set to take, such as one a person has edited."""
    return replace(at, edited=wanted)


@dataclass(frozen=True, eq=False)
class Resection:
    """What an approach takes to free a level.

    Parameters
    ----------
    at : the level, and what is to be freed there
    approach, window : where the instrument comes from
    lines, tunnels, tips : all that could be gone
    chosen : (n,) array, the lines gone, in the order in which they were found
    weighted_mm3 : bone at its price, on the lattice of the choice, and what goes between lines
    taken_frac : (N,) array, how much of each voxel of the set within the room is taken
    removal : all bone removed
    """

    at: ResectionLevel
    approach: Approach
    window: EntryWindow
    lines: ToolLines
    tunnels: Tunnels
    tips: Tips
    chosen: npt.NDArray[np.int32]
    weighted_mm3: float
    region: LineRegion
    taken_frac: Float
    removal: Removal

    @property
    def pivots_mm(self) -> Float:
        """(n, 3) array, level frame, of each line gone."""
        return self.region.pivots_mm

    @property
    def tips_mm(self) -> Float:
        """(n, 3) array, level frame, of each line gone."""
        return self.region.tips_mm

    def without_tunnels(self) -> Resection:
        """The same without all lines' tunnels: half of its memory."""
        all_of = self.tunnels
        starts, cells, share = all_of.starts[:1].copy(), all_of.cells[:0].copy(), all_of.share[:0].copy()
        return replace(self, tunnels=replace(all_of, starts=starts, cells=cells, share=share))
