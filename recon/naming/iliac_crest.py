"""Height of the iliac crests in a CT: the top of the two thin plates that rise beside the lowest vertebrae.

In axial slices an iliac wing is a long thin bright band on either side, in slice after slice down to the hip; ribs cut
short, and kidneys or bowel with contrast are thick. The crest's top counts on each side only where it lies in view,
below the scan's own upper end, and where both sides agree.
"""

from __future__ import annotations

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.canal.tube import CanalTube
from canalwise.recon.grid import Grid, box_of
from canalwise.recon.labels import Mask
from canalwise.recon.scan import Scan

SIDE_MM, DEPTH_MM = (45.0, 170.0), (-110.0, 70.0)
"""Where wings lie, sideways of the canal and ventral to dorsal of it (common practice, no source)."""

THICK_MM = 10.0
"""Half the thickness from which bright tissue is no wing (common practice, no source)."""

BAND_MM = 34.0
"""Least length of a wing's section in an axial slice 10 mm below its crest (common practice, no source)."""

RUN_MM = 20.0
"""Over this height below its top a wing's band must go on."""

APART_MM = 18.0
"""The two crests of one patient differ by less, or one is something else (common practice, no source)."""

END_MM = 6.0
"""A top this near to the scan's upper end may be cut off."""


def crest_z_mm(wide: Scan, tube: CanalTube, bright_hu: float) -> float | None:
    """RAS z of the crests' top, mean of both sides; None where they are not both in view.

    Parameters
    ----------
    wide : the whole scan, a coarse copy, third axis nearest to cranial
    bright_hu : value from which a voxel may be bone
    """
    line = tube.centreline_ras_mm
    index = np.argwhere(wide.voxels >= bright_hu)
    points = wide.grid.world_mm(index)
    x, y = (np.interp(points[:, 2], line[:, 2], line[:, axis]) for axis in (0, 1))
    aside, ventral = points[:, 0] - x, points[:, 1] - y
    near = (ventral >= -DEPTH_MM[1]) & (ventral <= -DEPTH_MM[0])
    tops = [
        _top_of_mm(index[near & (side >= SIDE_MM[0]) & (side <= SIDE_MM[1])], wide.grid) for side in (aside, -aside)
    ]
    if tops[0] is None or tops[1] is None or abs(tops[0] - tops[1]) > APART_MM:
        return None
    return (tops[0] + tops[1]) / 2


def _top_of_mm(index: npt.NDArray[np.intp], grid: Grid) -> float | None:
    """RAS z of the top of the plate among the bright voxels, (N, 3), of one side."""
    bright = np.zeros(grid.shape, dtype=bool)
    bright[tuple(index.T)] = True
    box = box_of(bright, 1)
    if box is None:
        return None
    # Not cut at the ends: how near to the scan's own end a top lies is asked for.
    part = (*box[:2], slice(0, grid.shape[2]))
    return _top_mm(_plate(bright[part], grid), grid.cropped(part))


def _plate(bright: Mask, grid: Grid) -> Mask:
    """What is bright and thin."""
    spacing = tuple(float(step) for step in grid.spacing_mm)
    core = edt.edt(np.ascontiguousarray(bright), anisotropy=spacing, black_border=False) > THICK_MM
    if not core.any():
        return bright
    away = edt.edt(np.ascontiguousarray(~core), anisotropy=spacing, black_border=False)
    return np.asarray(bright & (away > THICK_MM + float(grid.spacing_mm.max())))


def _top_mm(plate: Mask, grid: Grid) -> float | None:
    """RAS z of the top of the plate of one side."""
    up = float(grid.affine_ras_mm[2, 2])
    order = range(plate.shape[2]) if up < 0 else range(plate.shape[2] - 1, -1, -1)
    long = np.array([_longest_mm(plate[:, :, k], grid) >= BAND_MM for k in order])  # from cranial to caudal
    need = max(round(RUN_MM / abs(up)), 2)
    starts = [
        n
        for n in np.flatnonzero(long)
        if long[n : n + need].sum() >= 0.8 * float(min(need, len(long) - int(n))) and len(long) - n >= need // 2
    ]
    if not starts:
        return None
    at = int(starts[0])
    first = _component_top(plate, list(order), at)
    z = float(grid.world_mm([0, 0, list(order)[first]])[2])
    return None if first * abs(up) < END_MM else z


def _longest_mm(cut: Mask, grid: Grid) -> float:
    """Length of the longest piece of a slice, mm."""
    found = 0.0
    for box in ndimage.find_objects(cc3d.connected_components(cut, connectivity=8)):
        if box is not None:
            i, j = cut[box].shape
            found = max(found, float(np.hypot(i * grid.spacing_mm[0], j * grid.spacing_mm[1])))
    return found


def _component_top(plate: Mask, order: list[int], at: int) -> int:
    """How far from the top, in slices, the piece that is longest in slice `at` begins."""
    pieces = cc3d.connected_components(plate, connectivity=26)
    here = pieces[:, :, order[at]].astype(np.int64)
    counts = np.bincount(here[here > 0])
    own = (pieces == int(counts.argmax())).any(axis=(0, 1))
    return min(n for n, k in enumerate(order) if own[k] and n >= at - 8)
