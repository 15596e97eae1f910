"""Partial volume of bone: the share of bone in each voxel along the border of a solid bone mask.

Along the outer surface a voxel holds soft tissue and cortical bone, so its share of bone is where its value lies
between the two (two-class mixture). Both are read around it: fat beside a joint is darker than muscle, a sclerotic
facet denser than an old lamina. All reading is by means, never by picking bright voxels, and shares are not cut off
before they are summed: so noise, which has either sign, leaves the volume where it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage, special

from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.morphology import dilated, eroded, linear_on
from canalwise.recon.image.sampling import block_sums, layer_sums
from canalwise.recon.labels import Mask
from canalwise.recon.parallel import side_by_side
from canalwise.recon.scan import Scan

Float32 = npt.NDArray[np.float32]

COARSE_MM = 1.5
"""Edge of the blocks in which tissue levels are averaged before they are blurred."""

LEVEL_BLUR_MM = 2.5
"""How far the local level of the bony wall is averaged."""

SOFT_BLUR_MM = 1.5
"""How far the local level of the soft tissue is averaged."""

DEPTH_BLUR_VOXELS = 0.8
"""Standard deviation of the blur by which depths under the mask's surface are read."""

OUTSIDE = (-2.4, -1.4)
"""The layer about the mask, voxels, whose mean is the soft tissue: clear of the blur, before the next tissue."""

LAYERS = ((0.2, 0.55), (0.55, 0.9), (0.9, 1.25), (1.25, 1.7), (1.7, 2.2))
"""Layers under the surface, voxels, of which the brightest, on the mean, holds the wall's crest."""

CORTICAL_PERCENTILE = 90.0
"""Of the local crests: thick cortices reach the value of cortical bone, thin ones do not."""

LEAST_LEVEL_HU, LEAST_CORTICAL_HU = 30.0, 50.0
"""Least contrast of a wall and of cortical bone with soft tissue that is still divided by."""

MOST_OF_CREST = 1.3
"""The border is never set above two thirds of the crest's height: noise and sampling hide the crest's top."""

SMOOTH_VOXELS = 0.7
"""Standard deviation of the blur against noise before the halo is carved."""

CARVE_FRAC = 0.3
"""Voxels occupied under this in the smoothed scan, reached from outside, are halo."""

HALO_MM = 1.2
"""Depth of the half-bright halo that blur puts round bright bone; it is carved off where under half occupied."""

KEEP_MM = 1.5
"""Blur within which the border's bone volume is that of the image, whatever single voxels were cut off at."""

KEEP_ROUNDS, MOST_SHIFT = 2, 0.25
"""Rounds of giving back what was cut off, and the most that a voxel is given in one."""

LEAST_FREE = 0.01
"""Fewer voxels of the border per block than this have nothing to be given."""

STEPS = 255
"""Occupancy is held in steps of 1/255."""


def edge_level_frac(peak_frac: npt.ArrayLike) -> Float:
    """Twice the value at the outer edge of a blurred cortical sheet, from the value at its crest.

    Both are shares of the step from soft tissue to cortical bone. A sheet of thickness t blurred by a Gaussian of
    deviation s has the crest erf(t / (2 sqrt2 s)) and at its edge erf(t / (sqrt2 s)) / 2, so that twice the edge's
    value is erf(2 erfinv(crest)), whatever the blur. (Derived here; trabecular bone is taken to look like soft tissue.)

    Parameters
    ----------
    peak_frac : (...) values at crests

    Returns
    -------
    level_frac : (...) array

    >>> edge_level_frac([0.1, 0.7, 1.0]).round(2).tolist()
    [0.2, 0.96, 1.0]
    """
    crest = np.clip(np.asarray(peak_frac, dtype=np.float64), 0.0, 1.0 - 1e-6)
    return np.asarray(special.erf(2.0 * special.erfinv(crest)))


@dataclass(frozen=True, eq=False)
class _Wall:
    """What is read of the wall about every voxel.

    Parameters
    ----------
    soft_hu : value of soft tissue
    level_hu : how far above it a voxel full of the wall's bone lies
    crest_voxels : depth under the mask's surface at which the wall is brightest
    """

    soft_hu: Float32
    level_hu: Float32
    crest_voxels: Float32


def bordered(bone: Mask, scan: Scan) -> Float32:
    """(nx, ny, nz) float32 array: share of bone of each voxel for a solid bone mask in a CT, in steps of 1/255.

    A halo of under half-occupied voxels is carved off the mask first.
    """
    value, depth = scan.voxels.astype(np.float32), depth_voxels(bone)
    wall = _wall(depth, value, scan.grid)
    # In place: whole scans in floating point are the most that a build holds.
    share = np.subtract(value, wall.soft_hu, out=value)
    share /= wall.level_hu
    kept = _carved(bone, np.asarray(ndimage.gaussian_filter(share, SMOOTH_VOXELS)), scan.grid)
    rim = dilated(kept) & ~eroded(kept)
    # Past the crest of a thin wall the value falls again, but all is bone.
    share[kept & (depth >= wall.crest_voxels)] = 1.0
    occupancy = kept.astype(np.float32)
    occupancy[rim] = _within_bounds(share[rim], rim, scan.grid)
    return np.asarray(np.rint(occupancy * STEPS) / STEPS, dtype=np.float32)


def depth_voxels(mask: Mask) -> Float32:
    """(nx, ny, nz) float32 array: depth of each voxel's centre under a mask's surface in voxels, true within about two.

    A flat surface blurred by a Gaussian is the error function of the depth, which is inverted.

    >>> half = np.zeros((9, 9, 9), dtype=bool); half[4:] = True
    >>> abs(depth_voxels(half)[3:5, 4, 4] - [-0.5, 0.5]).max() < 0.1
    np.True_
    """
    blurred = ndimage.gaussian_filter(mask.astype(np.float32), DEPTH_BLUR_VOXELS, mode="nearest")
    low, high = np.float32(1e-3), np.float32(1 - 1e-3)
    near = (blurred > low) & (blurred < high)
    depth = np.where(blurred > 0.5, *(np.float32(DEPTH_BLUR_VOXELS * special.ndtri(end)) for end in (high, low)))
    depth[near] = DEPTH_BLUR_VOXELS * special.ndtri(blurred[near])
    return np.asarray(depth, dtype=np.float32)


def _wall(depth: Float32, value: Float32, grid: Grid) -> _Wall:
    """The wall's values: averaged in blocks, blurred there, and read between them."""
    blocks = _Blocks(np.maximum((COARSE_MM / grid.spacing_mm).astype(int), 1), grid)
    count, total = layer_sums(depth, value, np.array([OUTSIDE, *LAYERS]), blocks.size)
    soft = blocks.mean(count[0], total[0], SOFT_BLUR_MM)
    layers = np.stack([blocks.mean(*sums, LEVEL_BLUR_MM) for sums in zip(count[1:], total[1:], strict=True)])
    crest = np.maximum(layers.max(axis=0) - soft, LEAST_LEVEL_HU)
    near = blocks.sums(depth > 0) > 0
    full = max(float(np.percentile(crest[near], CORTICAL_PERCENTILE)), LEAST_CORTICAL_HU) if near.any() else 1.0
    level = np.minimum(full * edge_level_frac(crest / full), MOST_OF_CREST * crest)
    middles = np.array([(low + high) / 2 for low, high in LAYERS])
    return _Wall(*side_by_side(blocks.spread, (soft, level, middles[layers.argmax(axis=0)])))


@dataclass(frozen=True, eq=False)
class _Blocks:
    """A volume seen in blocks of `size` (3,) voxels, for means that need no finer grid."""

    size: npt.NDArray[np.intp]
    grid: Grid

    def sums(self, field: npt.NDArray[np.generic]) -> Float:
        """Sum of a field over each block."""
        return block_sums(field, self.size)

    def mean(self, count: Float, total: Float, blur_mm: float) -> Float:
        """Gaussian mean, per block, of values of which each holds `count` of sum `total`; far from any, that of all."""
        sigma = blur_mm / (self.grid.spacing_mm * self.size)
        overall = float(total.sum() / max(count.sum(), 1.0))
        few = 1e-4 * float(self.size.prod())
        blurred = [ndimage.gaussian_filter(field, sigma) for field in (total, count)]
        return np.asarray((blurred[0] + few * overall) / (blurred[1] + few))

    def spread(self, field: Float) -> Float32:
        """(nx, ny, nz) float32 array: a field of the blocks read at every voxel, linearly between their middles."""
        if (self.size == 1).all():
            return field.astype(np.float32)
        affine = self.grid.affine_ras_mm.copy()
        affine[:3, :3] *= self.size
        affine[:3, 3] = self.grid.world_mm((self.size - 1) / 2)
        i, j, k = field.shape
        return linear_on(self.grid, field.astype(np.float32), Grid((i, j, k), affine))


def _carved(bone: Mask, share: Float32, grid: Grid) -> Mask:
    """`bone` without the voxels occupied under CARVE_FRAC within HALO_MM of its outside, reached from there."""
    outside = ~bone
    pale = share < CARVE_FRAC
    for _ in range(max(round(HALO_MM / float(grid.spacing_mm.min())), 1)):
        outside |= dilated(outside) & pale
    return ~outside


def _within_bounds(share: Float32, rim: Mask, grid: Grid) -> Float32:
    """(N,) shares of the rim's voxels brought into 0..1, their local sum kept."""
    shift, field = np.zeros_like(share), np.zeros(rim.shape, dtype=np.float32)
    blocks = _Blocks(np.maximum((COARSE_MM / grid.spacing_mm).astype(int), 1), grid)

    def around(values: npt.NDArray[np.generic]) -> Float32:
        field[rim] = values
        sigma = KEEP_MM / (grid.spacing_mm * blocks.size)
        return np.asarray(blocks.spread(ndimage.gaussian_filter(blocks.sums(field), sigma))[rim])

    for _ in range(KEEP_ROUNDS):
        moved = share + shift
        cut = np.clip(moved, 0.0, 1.0)
        free = around(cut == moved)
        shift = shift + np.clip(around(share - cut) / np.maximum(free, LEAST_FREE), -MOST_SHIFT, MOST_SHIFT)
    return np.asarray(np.clip(share + shift, 0.0, 1.0), dtype=np.float32)
