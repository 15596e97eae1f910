"""From the bright wall of bones to solid bones."""

from __future__ import annotations

import cc3d
import numpy as np
from scipy import ndimage

from canalwise.recon.bone.ring_centres import HOLE_MAX_MM2, HOLE_MIN_MM2
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Mask

HAIRLINE_MM = 1.5
"""Gaps of a wall up to twice this are bridged when its inside is filled: vessel holes, not joints' mouths."""

BODY_MAX_MM2 = 2200.0
"""A hole in a slice at the scan's end is a body cut there up to this size: 50 x 36 mm with a margin."""


def solid(wall: Mask, grid: Grid, never: Mask | None = None) -> Mask:
    """The wall and what it encloses on all sides when gaps up to 2 HAIRLINE_MM are bridged.

    The canal stays open through windows, foramina and both ends. A body cut by the scan's end counts as
    closed there.

    Parameters
    ----------
    wall : (nx, ny, nz) array on `grid`, the bright wall of bones
    never : (nx, ny, nz) array, kept open whatever encloses it

    Returns
    -------
    solid : (nx, ny, nz) array

    >>> shell = np.zeros((20, 20, 20), dtype=bool)
    >>> shell[4:16, 4:16, 4:16] = True
    >>> shell[6:14, 6:14, 6:14] = False
    >>> shell[10, 10, 4:6] = False                       # a vessel
    >>> int(solid(shell, Grid((20, 20, 20), np.eye(4))).sum()) >= 12**3 - 2
    True
    """
    free = ~wall if never is None else ~(wall | never)
    inside = _pockets(_bridged(wall, grid)) & free
    # Bridging also drew in the corners of the inside: grow back into them.
    reach = max(round(HAIRLINE_MM / float(grid.spacing_mm.min())), 1) + 1
    if inside.any():
        inside = ndimage.binary_dilation(inside, iterations=reach, mask=free)
    return np.asarray(wall | inside | (_pockets(wall) & free))


def _pockets(wall: Mask) -> Mask:
    """Background that the wall encloses on all sides (6-connected), however small."""
    pieces = cc3d.connected_components(np.pad(~wall, 1, constant_values=True), connectivity=6)
    return np.asarray((pieces != pieces[0, 0, 0]) & (pieces != 0))[1:-1, 1:-1, 1:-1]


def _bridged(wall: Mask, grid: Grid) -> Mask:
    """The wall with gaps closed (box closing, separable) and bodies closed at the scan's ends."""
    closed = wall.astype(np.uint8)
    for end in (0, -1):
        closed[:, :, end] |= _cut_bodies(wall[:, :, end], grid)
    sizes = [2 * max(round(HAIRLINE_MM / step), 1) + 1 for step in grid.spacing_mm]
    closed = ndimage.maximum_filter(closed, sizes, mode="constant")
    return np.asarray((ndimage.minimum_filter(closed, sizes, mode="nearest") > 0) | wall)


def _cut_bodies(cut: Mask, grid: Grid) -> Mask:
    """Holes of a slice at the scan's end that are bone cut open: of a body's size or smaller, but not the canal's."""
    pieces = cc3d.connected_components(_holes(cut), connectivity=4)
    area_mm2 = np.bincount(pieces.ravel()) * float(np.prod(grid.spacing_mm[:2]))
    fits = (area_mm2 < HOLE_MIN_MM2) | ((area_mm2 > HOLE_MAX_MM2) & (area_mm2 <= BODY_MAX_MM2))
    fits[0] = False
    return np.asarray(fits[pieces])


def _holes(cut: Mask) -> Mask:
    """(n, m) array: background of a slice that does not reach its border."""
    pieces = cc3d.connected_components(np.pad(~cut, 1, constant_values=True), connectivity=4)
    return np.asarray((pieces != pieces[0, 0]) & (pieces != 0))[1:-1, 1:-1]
