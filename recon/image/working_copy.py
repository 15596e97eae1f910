"""A copy of a scan at about 1 mm for work that finer voxels do not better, and the return to the scan's own voxels.

What lies where is decided on the copy; where bone ends is decided again in the scan itself (`refined_numbers`).
"""

from __future__ import annotations

import cc3d
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.morphology import grown_into, nearest_on
from canalwise.recon.labels import Mask
from canalwise.recon.scan import Scan

WORK_MM = 1.0
"""Voxel edge of the copy: thin laminae and joint gaps, 1 mm and more, still show (choice; dice tells the cost)."""

WORTHWHILE_FRAC = 1.5
"""A copy must have this many times fewer voxels to be worth the return."""

BLUR_FRAC = 0.5
"""Deviation of the blur against aliasing, as share of the root of the difference of both voxel edges' squares."""

CRUMB_MM3 = 200.0
"""Pieces smaller than this belong to what they touch: slivers of a face that the coarser border gave to the other."""

REACH_MM = 2.5
"""Bone this far from what was named on the copy is named after it."""


def working_copy(scan: Scan) -> Scan:
    """The scan on voxels of WORK_MM (float32), or the scan itself when it is about as coarse.

    >>> fine = Scan(np.ones((8, 8, 8), np.int16), Grid((8, 8, 8), np.diag([0.5, 0.5, 0.5, 1.0])), "CT")
    >>> working_copy(fine).voxels.shape
    (4, 4, 4)
    """
    ratio = np.maximum(WORK_MM / scan.grid.spacing_mm, 1.0)
    if ratio.prod() < WORTHWHILE_FRAC:
        return scan
    grid = _coarser(scan.grid, ratio)
    # Blurred as far as the voxels grow: noise and edges finer than the copy would else show as false steps.
    smooth = ndimage.gaussian_filter(scan.voxels.astype(np.float32), BLUR_FRAC * np.sqrt(ratio**2 - 1.0))
    offset = scan.grid.index_of(grid.world_mm([0, 0, 0]))
    voxels = ndimage.affine_transform(smooth, ratio, offset, grid.shape, order=1, mode="nearest")
    return Scan(voxels, grid, scan.modality)


def _coarser(grid: Grid, ratio: Float) -> Grid:
    """The grid with voxels `ratio` times longer along each axis, its first voxel's outer corner the same."""
    affine = grid.affine_ras_mm.copy()
    affine[:3, :3] *= ratio
    affine[:3, 3] = grid.world_mm((ratio - 1) / 2)
    i, j, k = (max(int(n), 1) for n in np.floor(np.array(grid.shape) / ratio + 1e-9))
    return Grid((i, j, k), affine)


def refined_numbers(number: npt.NDArray[np.uint8], work: Grid, bone: Mask, grid: Grid) -> npt.NDArray[np.uint8]:
    """(shape of `bone`) array: the number of each voxel of bone, from numbers on a coarser grid of the same axes.

    Between two structures the border runs through what is not bone: a sliver of one that touches only the other
    becomes the other's. Bone further than REACH_MM from anything numbered stays 0.
    """
    fine = np.where(bone, nearest_on(grid, number, work), 0).astype(np.uint8)
    # Named anew from what they touch: a sliver lies on the other side of the gap from its own vertebra.
    least = max(round(CRUMB_MM3 / grid.voxel_mm3), 1)
    for n, box in enumerate(ndimage.find_objects(fine), start=1):
        if box is not None:
            own = fine[box] == n
            fine[box][own & ~(cc3d.dust(own, threshold=least, connectivity=6) > 0)] = 0
    return grown_into(fine, bone, max(round(REACH_MM / float(grid.spacing_mm.min())), 1))
