"""What lines take, on the scan's own voxels: tissue of the set within bites and tubes, and bone that goes with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from canalwise.estimator.geometry.region_protocol import Covered
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.estimator.resection.line_values import Tips
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.estimator.resection.tunnels import LineRegion
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


def taken_along(at: ResectionLevel, region: LineRegion, tips: Tips, gone: npt.NDArray[np.int32]) -> Taken:
    """What lines take: tissue of the set, and bone on the scan's own voxels.

    Parameters
    ----------
    region : the part of space that the lines hollow out
    tips : T places of tips, and what each takes
    gone : (n,) array, numbers of the tips that the lines lead to
    """
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
