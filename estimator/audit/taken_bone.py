"""Bone that was taken: connected pieces near the canal that noise cannot make, as a removal like any planned one."""

from __future__ import annotations

from dataclasses import dataclass

import cc3d
import edt
import numpy as np
from scipy import ndimage

from canalwise.estimator.audit.bone_change import BoneChange, Field, takeable
from canalwise.estimator.audit.deblurring import shares_lost, sharpened
from canalwise.estimator.audit.rules import rule
from canalwise.estimator.audit.scan_pair import ScanPair
from canalwise.estimator.geometry.bricks import Bricks
from canalwise.estimator.geometry.region_protocol import Covered
from canalwise.estimator.interval import SD_OF_95
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.recon.errors import UnusableInput
from canalwise.recon.grid import Float, Grid, box_of
from canalwise.recon.image.sampling import linear_at
from canalwise.recon.labels import Mask, canal_mask

HALF = 0.5
"""A voxel belongs to a piece when bone was rather taken than not."""

ABOUT_VOXELS = 2
"""How far beyond a piece what the average has spread is gathered."""

LEAST_SDS = 1.0
"""A share smaller than this many of its own standard deviations is none."""

CLOSED_MM = 1.5
"""Marrow is filled in between bone taken on either side of it within twice this."""

BLUR_REACH_VOXELS = 6
"""Beyond this, blur carries nothing over."""

CLEAR_SIGMAS = 4.0
"""Where an expected change stands out of the noise by this much, its share is read off; else the odds decide."""


@dataclass(frozen=True, eq=False)
class VoxelRegion:
    """The bone taken as a region of space, for tests of points.

    Parameters
    ----------
    grid : of the share
    share : (nx, ny, nz) array, how much of each voxel's bone was taken
    """

    grid: Grid
    share: Field

    def holds(self, points_mm: Float) -> Mask:
        """(N,) array: was the bone at each (N, 3) RAS point taken?"""
        return np.asarray(linear_at(self.share, self.grid.index_of(points_mm)) >= HALF)

    def covered(self, bricks: Bricks) -> Covered:
        """Share of each place that was taken."""
        inside = np.zeros(bricks.points_mm.shape[1], dtype=np.float32)
        for offset in bricks.samples_mm.T:
            inside += self.holds(bricks.points_mm.T + offset)
        share = inside / bricks.samples_mm.shape[1]
        places = np.flatnonzero(share)
        return Covered(places, share[places])


@dataclass(frozen=True, eq=False)
class TakenBone:
    """Bone taken at a level.

    Parameters
    ----------
    removal : as any planned one
    region : the same as a part of space
    limit_mm3 : the smallest piece that can be distinguished from noise
    interval95_mm3 : of the total
    elsewhere_mm3 : bone lost in pieces that do not come near the canal, not counted
    gained_mm3 : bone that is there after and was not before
    unseen_mm3 : bone that could be taken and that the scan after does not show, or hides under metal
    """

    removal: Removal
    region: VoxelRegion
    limit_mm3: float
    interval95_mm3: tuple[float, float]
    elsewhere_mm3: float
    gained_mm3: float
    unseen_mm3: float


def taken_bone_of(pair: ScanPair, change: BoneChange) -> TakenBone:
    """The bone taken between both scans.

    Raises
    ------
    UnusableInput : there is more bone after than before, as when the scans are in the other order
    """
    level_bone = change.level_bone
    near = _near_canal(pair, change)
    gained = _pieces(change.gained_frac, change)
    noise = max((piece.mm3 for piece in gained if not piece.touches(near)), default=0.0)
    limit = max(rule("piece_mm3"), rule("piece_margin") * noise)
    lost = [piece for piece in _pieces(change.lost_frac, change) if piece.mm3 >= limit]
    mine = [piece for piece in lost if piece.touches(near)]
    added = sum(piece.mm3 for piece in gained if piece.mm3 >= limit and piece.touches(near))
    total = sum(piece.mm3 for piece in mine)
    check_order(added, total, limit)
    share = _share(change, mine)
    voxels = np.flatnonzero(share)
    removal = Removal(level_bone, voxels, share.reshape(-1)[voxels])
    elsewhere = sum(piece.mm3 for piece in lost) - total
    unseen = float(level_bone.bone_mm3[~change.seen & takeable(level_bone)].sum())
    spread = SD_OF_95 * _border_mm2(share, change) * float(np.hypot(rule("border_sd_mm"), pair.residual_mm / 2))
    found = removal.total_mm3
    ends = (max(found - spread, 0.0), found + spread) if found > 0 else (0.0, limit)
    return TakenBone(removal, VoxelRegion(level_bone.grid, share), limit, ends, elsewhere, added, unseen)


def check_order(gained_mm3: float, lost_mm3: float, limit_mm3: float) -> None:
    """Raises UnusableInput where so much bone came, and so little went, that the scans must be in the other order.

    >>> check_order(gained_mm3=64.0, lost_mm3=0.0, limit_mm3=25.0)  # two scans of an untouched spine
    >>> check_order(gained_mm3=150.0, lost_mm3=20.0, limit_mm3=25.0)
    Traceback (most recent call last):
    canalwise.recon.errors.UnusableInput: the scan after must show less bone than the case's scan ...
    """
    least = max(rule("reversed_mm3"), 2 * limit_mm3)
    if gained_mm3 > least and gained_mm3 > rule("reversed_times") * lost_mm3:
        raise UnusableInput(
            "the scan after",
            "must show less bone than the case's scan",
            got=f"{gained_mm3:.0f} mm3 more of it, and {lost_mm3:.0f} mm3 less",
            do="The scans seem to be in the other order: build the case from the scan before the operation.",
        )


@dataclass(frozen=True, eq=False)
class _LostPiece:
    mm3: float
    mask: Mask
    box: tuple[slice, slice, slice]

    def touches(self, other: Mask) -> bool:
        return bool((self.mask & other[self.box]).any())


def _pieces(frac: Field, change: BoneChange) -> list[_LostPiece]:
    """Connected pieces of bone rather changed than not, largest first."""
    marks = cc3d.connected_components(frac > HALF, connectivity=6)
    found = []
    for n, box in enumerate(ndimage.find_objects(marks.astype(np.int32)), start=1):
        if box is not None:
            mask = np.asarray(marks[box] == n)
            found.append(_LostPiece(float(change.level_bone.bone_mm3[box][mask].sum()), mask, (box[0], box[1], box[2])))
    return sorted(found, key=lambda piece: -piece.mm3)


def _near_canal(pair: ScanPair, change: BoneChange) -> Mask:
    """Voxels that an operation on the sac comes through."""
    grid = change.level_bone.grid
    canal = canal_mask(pair.anatomy.labels[change.level_bone.box])
    if not canal.any():
        return np.ones(canal.shape, dtype=bool)
    spacing = tuple(float(s) for s in grid.spacing_mm)
    return np.asarray(edt.edt(np.asfortranarray(~canal), anisotropy=spacing) <= rule("near_canal_mm"))


def _share(change: BoneChange, pieces: list[_LostPiece]) -> Field:
    """Share of each voxel's bone that was taken: read off where the change is clear, by the odds where it is not."""
    inside = np.zeros(change.bone.shape, dtype=bool)
    for piece in pieces:
        inside[piece.box] |= piece.mask
    about = ndimage.binary_dilation(inside, iterations=ABOUT_VOXELS) & change.bone
    frac = change.difference_hu / np.minimum(change.expected_hu, -1.0)
    relative_sd = change.sd_hu / np.maximum(-change.expected_hu, 1.0)
    read = np.where(frac > LEAST_SDS * relative_sd, np.clip(frac, 0, 1), 0)
    clear = -change.expected_hu >= CLEAR_SIGMAS * change.sd_hu
    # marrow hardly denser than soft tissue went with the bone about it
    reach = np.maximum(np.rint(CLOSED_MM / change.level_bone.grid.spacing_mm), 1).astype(int)
    ball = np.ones(tuple(int(n) for n in 2 * reach + 1), dtype=bool)
    within = inside | (ndimage.binary_closing(inside | (about & (read >= HALF)), ball) & change.bone)
    first = np.where(clear, np.where(about, read, 0), within).astype(np.float32)
    return _sharp(change, first, inside, clear)


def _sharp(change: BoneChange, first: Field, inside: Mask, clear: Mask) -> Field:
    """The shares without the blur, where the change is clear; the blur about bone takes its part of the loss."""
    near = ndimage.binary_dilation(inside, iterations=ABOUT_VOXELS)
    box = box_of(near, BLUR_REACH_VOXELS)
    if box is None:
        return first
    spacing = change.level_bone.grid.spacing_mm
    psf = change.psf_mm / spacing
    held = np.where(change.over_hu[box] > 0, sharpened(change.over_hu[box], psf), 0).astype(np.float32)
    halo = (change.over_hu[box] > 0) & ~change.bone[box]
    where = near[box] & (halo | (change.bone & clear)[box])
    lost = np.maximum(-change.difference_hu[box], 0), LEAST_SDS / 2 * change.sd_hu[box]
    begun = np.where(halo, np.float32(HALF), first[box])
    found = shares_lost(lost, held, begun, where, np.hypot(change.average_mm, change.psf_mm), spacing)
    share = first.copy()
    share[box] = np.where(change.bone[box], found, 0)
    return share


def _border_mm2(share: Field, change: BoneChange) -> float:
    """Area of the cut between bone that was taken and bone that stayed."""
    spacing = change.level_bone.grid.spacing_mm
    taken = (share >= HALF) & change.bone
    kept = ~taken & change.bone
    total = 0.0
    for axis in range(3):
        face = float(np.prod(np.delete(spacing, axis)))
        ahead = (slice(None),) * axis
        low, high = (*ahead, slice(None, -1)), (*ahead, slice(1, None))
        total += face * float((taken[low] & kept[high]).sum() + (kept[low] & taken[high]).sum())
    # faces of voxels overstate a slanting surface by half on the mean (the mean of |x| + |y| + |z| over directions)
    return total / 1.5
