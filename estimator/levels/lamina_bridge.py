"""The bridge of a lamina between the window above it and the window below.

A lamina that lies between two operated levels is thinned at its cranial edge by the upper one and at its caudal edge by
the lower. Seen from behind it is divided into columns along the spine; a row of a column stands where at least half of
its thickness stays. The bridge is the shortest, over the columns where both windows face each other, of the longest
unbroken runs of rows that stand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.estimator.level.level_bone import LevelBone
from canalwise.estimator.levels.rules import rule
from canalwise.estimator.levels.united_removal import Shares
from canalwise.estimator.limits import Limit
from canalwise.recon.anatomy import Frame
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask, Side

CELL_MM = 1.0
"""Width of a column and height of a row (choice); a coarser scan has cells as wide as its voxels."""

LEAST_THICKNESS_MM = 1.0
"""A row thinner than this before was the lamina's edge (choice)."""


@dataclass(frozen=True)
class LaminaBridge:
    """Parameters
    ----------
    vertebra, side : whose lamina
    bridge_mm : height of lamina left between both windows; NaN where these do not face each other
    before_mm : the same columns before
    """

    vertebra: str
    side: Side
    bridge_mm: float
    before_mm: float


@dataclass(frozen=True)
class BridgeCheck:
    """The limit held against one bridge, as the limits of a level are."""

    name: str
    value: float
    limit: Limit
    met: bool


def bridge_heights_mm(
    level_bone: LevelBone, frame: Frame, label: int, taken: tuple[Shares, Shares]
) -> tuple[float, float]:
    """(bridge, before) in mm of one lamina; NaN both where the windows do not face each other there.

    Parameters
    ----------
    frame : z runs along the lamina's height
    label : of the lamina
    taken : (nx, ny, nz) arrays on the crop: share of each voxel that the window above, and the one below, takes
    """
    index = np.argwhere((level_bone.labels == label) & (level_bone.bone_mm3 > 0))
    if not len(index):
        return float("nan"), float("nan")
    at = tuple(index.T)
    bone, above, below = level_bone.bone_mm3[at].astype(float), taken[0][at], taken[1][at]
    cell_mm = max(CELL_MM, float(level_bone.grid.spacing_mm.max()))
    places = frame.to_level_mm(level_bone.grid.world_mm(index))[:, [0, 2]] / cell_mm
    places = places - np.floor(places.min(axis=0)) + 1.0
    lost = [_spread(places, bone * share) for share in (above, below, np.maximum(above, below))]
    before = _spread(places, bone) / cell_mm**2
    left = before - lost[2] / cell_mm**2
    was = before >= LEAST_THICKNESS_MM
    cut = [((before - one / cell_mm**2) < rule("remaining_frac") * before) & was for one in lost[:2]]
    by_column = [np.asarray(one.any(axis=1)) for one in cut]
    facing = _facing(by_column[0], by_column[1], cell_mm) & was.any(axis=1)
    if not facing.any():
        return float("nan"), float("nan")
    stands = was & (left >= rule("remaining_frac") * before)
    return _shortest(stands[facing], cell_mm), _shortest(was[facing], cell_mm)


def _spread(places: Float, amount: Float) -> Float:
    """(nx, nz) array: amounts shared among the four cells about each (N, 2) place."""
    low = np.floor(places).astype(int)
    part = places - low
    shape = low.max(axis=0) + 3
    out = np.zeros(shape)
    for i in (0, 1):
        for k in (0, 1):
            weight = (part[:, 0] if i else 1 - part[:, 0]) * (part[:, 1] if k else 1 - part[:, 1])
            np.add.at(out, (low[:, 0] + i, low[:, 1] + k), weight * amount)
    return out


def _facing(above: Mask, below: Mask, cell_mm: float) -> Mask:
    """(nx,) array: columns near which both windows cut."""
    reach = max(round(rule("facing_mm") / cell_mm), 1)
    wide = [ndimage.binary_dilation(cut, iterations=reach) for cut in (above, below)]
    return np.asarray(wide[0] & wide[1])


def _shortest(stands: Mask, cell_mm: float) -> float:
    """The shortest of the longest runs of the rows of each column, mm."""
    return float(min(_longest(column) for column in stands) * cell_mm)


def _longest(column: npt.NDArray[np.bool_]) -> int:
    """The longest unbroken run.

    >>> _longest(np.array([True, False, True, True]))
    2
    """
    ends = np.flatnonzero(np.diff(np.concatenate([[0], column.astype(np.int8), [0]])))
    return int((ends[1::2] - ends[::2]).max(initial=0))
