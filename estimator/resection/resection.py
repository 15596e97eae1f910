"""The resection of an approach: the least weighted bone whose removal lets the decompression set be taken.

1. The entry window gives the pivots, the set the tips; lines that can be gone join them (`tool_lines`).
2. Lines are chosen so that everything takeable is taken that is worth its bone, and the least weighted bone goes
   (`choice`); they are then moved off the lattice where that saves bone or takes more (`refinement`).
3. What then stands between two tunnels and is narrower than the tool goes too (`estimator.removal.tunnel_region`).
4. On the scan's own voxels the chosen lines' tubes, what stood between, and what their tips bite off, are counted: bone
   removed is occupancy times the share of the voxel that is hollowed, as in every other removal of the estimator.

Deterministic: the same level and approach give the same lines.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.geometry.region_protocol import Covered
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.estimator.resection.bound import least_bone
from canalwise.estimator.resection.choice import bone_of
from canalwise.estimator.resection.line_region import LineRegion
from canalwise.estimator.resection.line_values import EntryWindow, Tips, ToolLines, Tunnels, entry_window
from canalwise.estimator.resection.refinement import (
    PIVOT_STEPS_MM,
    STEPS_MM,
    Candidates,
    LineSite,
    chosen_and_refined,
    joined,
    neighbours,
    some_candidates,
)
from canalwise.estimator.resection.resection_level import LEVELS_KEPT, ResectionLevel
from canalwise.estimator.resection.tool_lines import tool_lines
from canalwise.recon.grid import Float
from canalwise.recon.parallel import both

Numbers = Any
"""An array of any kind of number; the compiler makes a version for each."""


@dataclass(frozen=True, eq=False)
class Taken:
    """What lines take.

    Parameters
    ----------
    taken_frac : (N,) array, of each voxel of the set
    removal : all bone removed
    hollowed : share of each place of the bone that goes with the tubes or between them
    """

    taken_frac: Float
    removal: Removal
    hollowed: Covered


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

    @cached_property
    def least_weighted_mm3(self) -> float:
        """What no choice of these lines, and those beside the ones gone, can go below for the tissue that is taken."""
        if not len(self.chosen):
            return 0.0
        site, own = LineSite(self.at, self.approach, self.window), Candidates(self.lines, self.tunnels, self.tips)
        wanted = self.at.set_cells
        beside = neighbours(site, some_candidates(own, self.chosen), wanted.mm3, (STEPS_MM[0], PIVOT_STEPS_MM[0]))
        every = joined(own, beside)
        taken = np.unique(some_candidates(own, self.chosen).tips.takes)
        return least_bone(every.lines, every.tunnels, every.tips, wanted, taken)

    def settled(self) -> Resection:
        """The same with its lower bound worked out, and without all lines' tunnels: half of its memory."""
        all_of = self.tunnels
        starts, cells, share = all_of.starts[:1].copy(), all_of.cells[:0].copy(), all_of.share[:0].copy()
        light = replace(self, tunnels=replace(all_of, starts=starts, cells=cells, share=share))
        vars(light)["least_weighted_mm3"] = self.least_weighted_mm3
        return light

    @property
    def gap_to_bound_frac(self) -> float:
        """By how much the weighted bone exceeds its lower bound, as a share of itself; 0 where none is taken."""
        if self.weighted_mm3 <= 0:
            return 0.0
        return max(0.0, 1.0 - self.least_weighted_mm3 / self.weighted_mm3)


@lru_cache(LEVELS_KEPT)
def resection_level_of(prepared: PreparedLevel) -> ResectionLevel:
    """A prepared level made ready for resections, once; with recesses, by the usual rules."""
    return ResectionLevel(prepared.anatomy, prepared.level, prepared.level_bone, prepared.sac)


def resection_of(at: ResectionLevel, approach: Approach) -> Resection:
    """The resection of one approach to a level made ready (`resection_level_of`)."""
    channel, rules = approach.channel, at.rules
    window, tips = entry_window(approach, at.lamina_mm(approach.side), rules), at.tips(channel)
    keep_out = at.keep_out(channel.tool_radius_mm)
    across = -1.0 if approach.side == "left" else 1.0
    on_lattice = tool_lines(window, tips.places_mm, at.cells, keep_out, (at.level.frame, channel, rules), across)
    site = LineSite(at, approach, window)
    found, chosen = chosen_and_refined(site, Candidates(on_lattice, site.tunnels(on_lattice), tips))
    lines, tunnels, tips = found.lines, found.tunnels, found.tips
    region = LineRegion(
        at.level.frame, window, lines.pivots_mm[lines.pivot[chosen]], lines.tips_mm[lines.tip[chosen]], channel, rules
    )
    taken = taken_along(at, region, tips, lines.tip[chosen])
    between = _weighted_mm3(at, taken.hollowed) - _weighted_mm3(at, region.in_tunnels(at.level_bone.takeable.bricks))
    weighted_mm3 = bone_of(chosen, tunnels) + between
    return Resection(
        at, approach, window, lines, tunnels, tips, chosen, weighted_mm3, region, taken.taken_frac, taken.removal
    )


def taken_along(at: ResectionLevel, region: LineRegion, tips: Tips, gone: npt.NDArray[np.int32]) -> Taken:
    """What lines take whose tips are `gone`."""
    _ = region.tunnels, region.gap_directions  # found once, before two threads ask for it
    bricks = at.level_bone.takeable.bricks
    frac, bone = both(lambda: _tissue_frac(at, region, tips, gone), lambda: region.covered(bricks))
    voxels = at.level_bone.takeable.voxels[bone.places]
    _, there, place = np.intersect1d(at.overhang_voxels, voxels, assume_unique=True, return_indices=True)
    overhang = at.overhang[there]
    frac[overhang] = np.maximum(frac[overhang], bone.share[place])
    return Taken(frac, _removal(at, bone, frac), bone)


def _tissue_frac(at: ResectionLevel, region: LineRegion, tips: Tips, gone: npt.NDArray[np.int32]) -> Float:
    """(N,) array: how much of each voxel of the set lies within bites and tubes."""
    return np.maximum(bitten_frac(at, tips, gone), _dense(region.in_tunnels(at.set_bricks), at.set_bricks.order))


def _weighted_mm3(at: ResectionLevel, covered: Covered) -> float:
    """Bone at its price."""
    bench = at.level_bone
    voxels = bench.takeable.voxels[covered.places]
    bone_mm3 = bench.bone_mm3.reshape(-1)[voxels].astype(float) * covered.share
    return float(bone_mm3 @ at.prices[bench.labels.reshape(-1)[voxels] % 100])


def bitten_frac(at: ResectionLevel, tips: Tips, gone: npt.NDArray[np.int32], longer_mm: float = 0.0) -> Float:
    """(N,) array: how much of each voxel of the set lies within the bite of tips that take its cell.

    `longer_mm` is added to the bite: what borders do that lie nearer or further than they were found.
    """
    bite, edge = at.rules.value("bite_mm") + longer_mm, float(at.level_bone.grid.voxel_mm3 ** (1 / 3))
    by_cell, starts = at.voxels_by_cell
    out = np.zeros(len(at.wanted.voxels))
    _bitten(
        np.unique(gone), tips.places_mm, tips.starts, tips.takes, by_cell, starts, at.wanted.level_mm, bite, edge, out
    )
    return out


@njit(cache=True, nogil=True)
def _bitten(
    gone: Numbers,
    places: Numbers,
    tip_starts: Numbers,
    takes: Numbers,
    by_cell: Numbers,
    starts: Numbers,
    voxels_mm: Numbers,
    bite: float,
    edge: float,
    out: Numbers,
) -> None:
    """The greatest share of each voxel within the bite of a tip that takes its cell; borders are not stepped."""
    for t in gone:
        for e in range(tip_starts[t], tip_starts[t + 1]):
            for k in range(starts[takes[e]], starts[takes[e] + 1]):
                v = by_cell[k]
                away = 0.0
                for a in range(3):
                    away += (voxels_mm[v, a] - places[t, a]) ** 2
                held = min(max(0.5 + (bite - np.sqrt(away)) / edge, 0.0), 1.0)
                if held > out[v]:
                    out[v] = held


def _dense(covered: Covered, order: npt.NDArray[np.intp]) -> Float:
    """(N,) array of shares in the order in which places came to their bricks."""
    out = np.zeros(len(order))
    out[order[covered.places]] = covered.share
    return out


def _removal(at: ResectionLevel, covered: Covered, taken_frac: Float) -> Removal:
    """Bone of the tubes, and the bony overhang that was bitten off, whichever is more in a voxel."""
    wanted, bony = at.wanted, at.wanted.bone_mm3 > 0
    tubes = at.level_bone.takeable.voxels[covered.places]
    bitten = (taken_frac * wanted.share)[bony].astype(np.float32)
    voxels, place = np.unique(np.concatenate([tubes, wanted.voxels[bony]]), return_inverse=True)
    share = np.zeros(len(voxels), dtype=np.float32)
    share[place[: len(tubes)]] = covered.share
    share[place[len(tubes) :]] = np.maximum(share[place[len(tubes) :]], bitten)
    return Removal(at.level_bone, voxels[share > 0], share[share > 0])
