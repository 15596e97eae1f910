"""Region of interest of the spine: found on a coarse copy, so that all later work is done on a small part.

The canal shows even on blocks of 2.5 mm as a chain of holes in bony rings. Other bones and contrast medium make rings
and chains too (femora, iliac wings, bowel); the canal's is the one with bone in front of it, near the patient's middle.
"""

from __future__ import annotations

import cc3d
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.bone.occupancy import bone_model, wall_mask
from canalwise.recon.bone.ring_centres import hole_centres_mm, longest_chain
from canalwise.recon.errors import AnatomyNotFound, UnusableInput
from canalwise.recon.grid import Box, Float, Grid
from canalwise.recon.image.skin import AIR_HU
from canalwise.recon.labels import Mask
from canalwise.recon.scan import Scan

COARSE_MM = 2.5
"""Edge of the blocks whose means are looked at: a third of the canal's depth (common practice, no source)."""

CLIP_HU = (-1024.0, 1500.0)
"""Padding and metal are drawn in to here, so that neither colours the blocks around it."""

SIDE_MM, VENTRAL_MM, AIR_MM = 66.0, 66.0, 10.0
"""What is kept about the canal: transverse processes, bodies, and air behind the skin (margins of 15 mm and more)."""

BEHIND_MM = 200.0
"""The skin is looked for no further behind the canal."""

FRONT_MM, FRONT_HALF_MM = 22.0, (15.0, 14.0, 5.0)
"""Middle and half edges of the box ventral of the canal (left, ventral, cranial) that a body and its plates fill."""

OFF_MIDDLE_MM = 40.0
"""Standard deviation of the canal's distance from the patient's middle: less than that of any iliac wing (choice)."""

LEAST_HOLES = 4
"""Fewer rings make no chain: one vertebra's pedicles span five blocks (common practice, no source)."""

ASIDE_MM, ASIDE_SLOPE = 6.0, 0.6
"""A link that runs further aside than this, and than this for each mm along, leaves the canal: even a curved spine
leans by less than 31 degrees over a stretch without rings (choice)."""

CHAINS = 5
"""Chains that are compared."""

WORTHWHILE_FRAC = 0.8
"""A box that holds more of the scan than this is not worth a cut."""


def spine_box(scan: Scan, through_mm: Float | None = None, small: Scan | None = None) -> Box | None:
    """The index box of the part of a CT that holds the spine over its whole length and the skin behind it.

    None when there is nothing to gain (a small scan) or nothing to go by (an MR, no canal in view). `through_mm` are
    (M, 3) RAS points that a person placed in the canal: the box holds their surroundings too. `small` is the scan's
    coarse copy, made here where it is left out.

    >>> spine_box(Scan(np.zeros((8, 8, 8), np.int16), Grid((8, 8, 8), np.eye(4)), "CT")) is None
    True
    """
    small = coarse(scan) if small is None else small
    line = canal_line_mm(small)
    if line is None:
        return None
    given = np.empty((0, 3)) if through_mm is None else through_mm
    kept = np.concatenate([_about_mm(line), _about_mm(given), _behind_mm(_patient(small), small.grid, line)])
    i, j, _ = scan.grid.box_around(kept)
    # The whole length stays: every level in view may be requested, and counting needs sacrum or ribs.
    box = (i, j, slice(0, scan.grid.shape[2]))
    share = np.prod([s.stop - s.start for s in box]) / scan.voxels.size
    return None if share > WORTHWHILE_FRAC else box


def canal_line_mm(small: Scan) -> Float | None:
    """(K, 3) RAS mm, caudal to cranial: middles of the canal where bone closes round it, on a coarse CT.

    None for an MR, and where no chain of bony rings is in view.
    """
    if not small.kind.calibrated:
        return None
    try:
        return _chain_mm(wall_mask(small, bone_model(small)), _patient(small), small.grid)
    except UnusableInput:
        return None


def coarse(scan: Scan) -> Scan:
    """The means of blocks of about COARSE_MM, float32; what does not fill a block at the far ends is left out.

    >>> halves = Scan(np.arange(64, dtype=np.int16).reshape(4, 4, 4), Grid((4, 4, 4), np.diag([1.2] * 3 + [1.0])), "CT")
    >>> coarse(halves).voxels[0, 0].tolist(), coarse(halves).grid.spacing_mm.tolist()
    ([10.5, 12.5], [2.4, 2.4, 2.4])
    """
    split = np.clip(np.rint(COARSE_MM / scan.grid.spacing_mm), 1, scan.grid.shape).astype(int)
    a, b, c = (int(n) for n in np.array(scan.grid.shape) // split)
    means = np.empty((a, b, c), dtype=np.float32)
    limits = CLIP_HU if scan.kind.calibrated else (None, None)
    # Row by row: a whole scan in floating point would take four times its own memory.
    for row in range(a):
        slab = scan.voxels[row * split[0] : (row + 1) * split[0], : b * split[1], : c * split[2]]
        plane = np.clip(slab, *limits).sum(axis=0, dtype=np.float32)
        plane = plane.reshape(b, split[1], -1).sum(axis=1)
        means[row] = plane.reshape(b, c, split[2]).sum(axis=2) / split.prod()
    affine = scan.grid.affine_ras_mm.copy()
    affine[:3, :3] *= split
    affine[:3, 3] = scan.grid.world_mm((split - 1) / 2)
    return Scan(means, Grid((a, b, c), affine), scan.modality)


def _patient(scan: Scan) -> Mask:
    """(nx, ny, nz) array: the largest piece denser than air; a table apart from the patient is not in it."""
    return np.asarray(cc3d.largest_k(scan.voxels > AIR_HU, k=1, connectivity=6) > 0)


def _chain_mm(bone: Mask, patient: Mask, grid: Grid) -> Float:
    """(K, 3) RAS mm, caudal to cranial: the canal's middle; raises AnatomyNotFound without a chain of rings."""
    centres, areas = hole_centres_mm(bone, grid)
    # A femur has nothing in front of it, an iliac wing lies far from the middle; only the canal has both.
    worth = _bone_in_front(bone, grid, centres) * _middleness(patient, grid, centres)
    best, left = np.empty(0, dtype=np.intp), np.flatnonzero(worth > 0)
    for _ in range(CHAINS):
        if len(left) < LEAST_HOLES:
            break
        # The longest chain may be another bone's: what it used is taken away, and the next longest is looked at.
        chain = left[longest_chain(centres[left], areas[left], np.array([0.0, 0.0, 1.0]))]
        parts = [chain[part] for part in _straight_parts(centres[chain])]
        best = max(best, *parts, key=lambda found: float(worth[found].sum()))
        left = np.setdiff1d(left, chain)
    if len(best) < LEAST_HOLES:
        raise AnatomyNotFound("canal", "shows no chain of bony rings on the coarse scan")
    return centres[best]


def _straight_parts(chain_mm: Float) -> list[npt.NDArray[np.intp]]:
    """Indices of the parts of a chain, (K, 3), between links that leap aside: from an iliac wing into the canal.

    >>> [part.tolist() for part in _straight_parts(np.array([[-70.0, 0, 0], [-70, 0, 4], [0, 0, 60], [0, 0, 64]]))]
    [[0, 1], [2, 3]]
    """
    step = np.abs(np.diff(chain_mm, axis=0))
    leaps = np.flatnonzero(step[:, 0] > ASIDE_MM + ASIDE_SLOPE * step[:, 2]) + 1
    return np.split(np.arange(len(chain_mm)), leaps)


def _bone_in_front(bone: Mask, grid: Grid, centres_mm: Float) -> Float:
    """(K,) array: share of bone in a body's place ventral of each hole."""
    size = [max(round(2 * half / step), 1) for half, step in zip(FRONT_HALF_MM, grid.spacing_mm, strict=True)]
    share = ndimage.uniform_filter(bone.astype(np.float32), size, mode="nearest")
    # The nearest voxel where a small scan ends before the body does.
    at = grid.index_of(centres_mm + np.array([0.0, FRONT_MM, 0.0]))
    return np.asarray(ndimage.map_coordinates(share, at.T, order=0, mode="nearest"), dtype=float)


def _middleness(patient: Mask, grid: Grid, centres_mm: Float) -> Float:
    """(K,) array, 1 in the patient's middle from left to right, falling off to the sides."""
    across = grid.world_mm(np.argwhere(patient.any(axis=2, keepdims=True)))[:, 0]
    middle = (across.min() + across.max()) / 2 if len(across) else 0.0
    return np.exp(-0.5 * ((centres_mm[:, 0] - middle) / OFF_MIDDLE_MM) ** 2)


def _about_mm(line_mm: Float) -> Float:
    """(N, 3) RAS mm: how far the spine reaches sideways and ventrally along the canal."""
    reaches: npt.ArrayLike = ([SIDE_MM, 0, 0], [-SIDE_MM, 0, 0], [0, VENTRAL_MM, 0], [0, 0, 0])
    return np.concatenate([line_mm + reach for reach in np.asarray(reaches, dtype=float)])


def _behind_mm(patient: Mask, grid: Grid, line_mm: Float) -> Float:
    """(N, 3) RAS mm: the patient dorsal of the canal within SIDE_MM of it, and AIR_MM behind."""
    reach = np.concatenate([_about_mm(line_mm), _about_mm(line_mm) - np.array([0.0, BEHIND_MM, 0.0])])
    box = (*grid.box_around(reach)[:2], slice(0, grid.shape[2]))
    points = grid.cropped(box).world_mm(np.argwhere(patient[box]))
    # Beyond the chain's ends the line is taken to go straight on along the patient.
    x, y = (np.interp(points[:, 2], line_mm[:, 2], line_mm[:, axis]) for axis in (0, 1))
    behind = points[(np.abs(points[:, 0] - x) <= SIDE_MM) & (points[:, 1] <= y)]
    # Moved back by the air wanted, so that the box that holds the points holds the air as well.
    return behind - np.array([0.0, AIR_MM, 0.0])
