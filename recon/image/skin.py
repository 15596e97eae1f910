"""The skin: where a straight line leaves the patient."""

from __future__ import annotations

import cc3d
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import Labels, Mask, Tissue
from canalwise.recon.scan import Scan

MR_BLUR_MM, MR_AIR_FRAC, MR_AIR_FACE_FRAC = 1.0, 0.15, 0.05
"""Blur before air is sought in an MR; air is darker than this share of the spine's tissue; and least share of the
scan's dorsal face that it fills (choice)."""

MR_FAT_FRAC, MR_FAT_WITHIN_MM, MR_FAT_MET_FRAC = 0.5, 6.0, 0.7
"""Behind the skin lies fat at least this share as bright as the spine, within this of the air, in this share of all
places (choice)."""

STEP_MM = 0.5
"""Step along a line before the crossing is interpolated."""

FARTHEST_MM = 300.0
"""No line is followed further than this."""

AIR_HU = -350.0
"""Between air (-1000) and fat (about -100), so that clothing and couch stay outside (common practice, no source)."""

AIR_MM = 5.0
"""Air must go on this far, so that a fold or a gas bubble is not taken for the outside."""


def air_in_view(labels: Labels) -> bool:
    """Does the map show air outside the patient as another label than soft tissue?

    A map without soft tissue says nothing about the skin, whatever surrounds its bones.

    >>> air_in_view(np.array([Tissue.OUTSIDE, Tissue.SOFT])), air_in_view(np.array([Tissue.OUTSIDE, Tissue.CANAL]))
    (True, False)
    """
    return bool((labels == Tissue.OUTSIDE).any() and (labels == Tissue.SOFT).any())


def skin_points_mm(
    labels: Labels,
    grid: Grid,
    starts_ras_mm: npt.ArrayLike,
    directions_ras: npt.ArrayLike,
    *,
    shows_air: bool | None = None,
) -> Float:
    """(N, 3) RAS mm where lines from (N, 3) starts inside the patient leave the skin; NaN where none does in view.

    Parameters
    ----------
    directions_ras : (N, 3) or (3,) array, need not be unit
    shows_air : what `air_in_view` says of the map, where that is known
    """
    starts = np.asarray(starts_ras_mm, dtype=float).reshape(-1, 3)
    directions = np.broadcast_to(np.asarray(directions_ras, dtype=float), starts.shape)
    directions = directions / np.linalg.norm(directions, axis=1, keepdims=True)
    out = np.full(starts.shape, np.nan)
    if not (air_in_view(labels) if shows_air is None else shows_air):
        return out
    steps = np.arange(0.0, FARTHEST_MM, STEP_MM)
    run = round(AIR_MM / STEP_MM)
    for row, (start, direction) in enumerate(zip(starts, directions, strict=True)):
        line = start + steps[:, None] * direction
        # a line passes a small part of a whole scan
        box = grid.box_around(line, margin_mm=2 * float(grid.spacing_mm.max()))
        outside = (labels[box] == Tissue.OUTSIDE).astype(np.float32)
        index = grid.cropped(box).index_of(line)
        # air that reaches the scan's edge goes on; a line that leaves the scan inside the patient has no skin
        air = ndimage.map_coordinates(outside, index.T, order=1, mode="nearest", output=np.float64)
        at = _first_run(air >= 0.5, run)
        if at > 0 and grid.contains(start + steps[at - 1] * direction):
            part = (0.5 - air[at - 1]) / (air[at] - air[at - 1])
            out[row] = start + (steps[at - 1] + part * STEP_MM) * direction
    return out


def skin_point_mm(
    labels: Labels, grid: Grid, start_mm: npt.ArrayLike, direction_ras: npt.ArrayLike, *, shows_air: bool | None = None
) -> Float | None:
    """(3,) RAS mm where one line from a RAS point leaves the skin; None when it does not in view."""
    point = skin_points_mm(labels, grid, start_mm, direction_ras, shows_air=shows_air)[0]
    return point if np.isfinite(point).all() else None


def dorsal_skin_mm(labels: Labels, grid: Grid) -> Float | None:
    """(N, 3) RAS mm of the dorsal skin, one point per dorso-ventral voxel column; None without air behind it."""
    if not air_in_view(labels):
        return None
    axis = int(np.argmax(np.abs(grid.affine_ras_mm[1, :3])))
    inside = np.moveaxis(labels != Tissue.OUTSIDE, axis, -1)
    if grid.affine_ras_mm[1, axis] > 0:  # the axis runs to anterior: count from its low end, which is dorsal
        first = inside.argmax(axis=-1)
        border = first - 0.5
    else:
        first = inside.shape[-1] - 1 - inside[..., ::-1].argmax(axis=-1)
        border = first + 0.5
    seen = inside.any(axis=-1) & (first > 0) & (first < inside.shape[-1] - 1)
    if not seen.any():
        return None
    index = np.insert(np.argwhere(seen).astype(float), axis, border[seen], axis=1)
    return grid.world_mm(index)


def _first_run(mask: Mask, length: int) -> int:
    """First index from which `length` values in a row are true; -1 when there is none.

    >>> _first_run(np.array([False, True, False, True, True]), 2)
    3
    """
    total = np.concatenate([[0], np.cumsum(mask)])
    full = np.flatnonzero(total[length:] - total[:-length] == length)
    return int(full[0]) if len(full) else -1


def within_skin(scan: Scan) -> Mask:
    """(nx, ny, nz) bool array: the patient's side of the skin of a CT; gas inside the trunk counts as inside.

    Outside is what the largest piece denser than AIR_HU leaves over and what reaches the scan's dorsal end:
    gas met by the other ends, as in a part cut from a scan, lies within bowel or lung.
    """
    beside = cc3d.connected_components(cc3d.largest_k(scan.voxels > AIR_HU, k=1, connectivity=6) == 0, connectivity=6)
    axis = int(np.argmax(np.abs(scan.grid.affine_ras_mm[1, :3])))
    dorsal = np.take(beside, 0 if scan.grid.affine_ras_mm[1, axis] > 0 else -1, axis)
    outside = np.zeros(int(beside.max()) + 1, dtype=bool)
    outside[np.unique(dorsal)] = True
    outside[0] = False
    return np.asarray(~outside[beside])


def within_skin_of_mr(scan: Scan, spine: Mask) -> Mask:
    """(nx, ny, nz) bool array: the patient's side of the skin of an MR; all of it where no air is seen behind.

    Parameters
    ----------
    spine : (nx, ny, nz) array, what is surely within: air is what is far darker than the tissue there

    Air has no signal but noise, and muscle may have little more: outside is what is dark, hangs together with the
    scan's dorsal end, and ends at bright fat. Fat that is suppressed shows no skin.
    """
    inside = np.ones(scan.grid.shape, dtype=bool)
    if not spine.any():
        return inside
    smooth = ndimage.gaussian_filter(scan.voxels.astype(np.float32), MR_BLUR_MM / scan.grid.spacing_mm)
    tissue = float(np.median(smooth[spine]))
    pieces = cc3d.connected_components((smooth < MR_AIR_FRAC * tissue) & ~spine, connectivity=6)
    axis = int(np.argmax(np.abs(scan.grid.affine_ras_mm[1, :3])))
    step = 1 if scan.grid.affine_ras_mm[1, axis] > 0 else -1
    # the first index along the last axis is now the dorsal end
    from_behind = np.moveaxis(pieces, axis, -1)[..., ::step]
    bright = np.moveaxis(np.asarray(smooth >= MR_FAT_FRAC * tissue), axis, -1)[..., ::step]
    reach = max(round(MR_FAT_WITHIN_MM / float(scan.grid.spacing_mm[axis])), 1)
    at_end = np.bincount(from_behind[..., 0].ravel())
    for n in np.flatnonzero(at_end >= MR_AIR_FACE_FRAC * from_behind[..., 0].size):
        if n and _ends_at_fat(from_behind == n, bright, reach):
            inside &= pieces != n
    return inside


def _ends_at_fat(air: Mask, bright: Mask, reach: int) -> bool:
    """Does bright tissue follow within some voxels wherever a piece that starts at index 0 of the last axis ends?"""
    # where the piece first stops along each column that it starts in
    ends = np.argmin(air, axis=-1)
    columns = air[..., 0] & (ends > 0)
    if not columns.any():
        return False
    first = ends[columns][:, None] + np.arange(reach)
    met = np.take_along_axis(bright[columns], np.minimum(first, air.shape[-1] - 1), axis=1).any(axis=1)
    return bool(met.mean() >= MR_FAT_MET_FRAC)


def with_soft_tissue(labels: Labels, scan: Scan) -> Labels:
    """(same shape) labels with the unnamed voxels inside the skin of a CT turned to SOFT; others stay.

    A map that already names soft tissue is returned as it is, as is one that belongs to an MR (air and cortical bone
    look alike there).
    """
    if not scan.kind.calibrated or (labels == Tissue.SOFT).any():
        return labels
    out = labels.copy()
    out[within_skin(scan) & (labels == Tissue.OUTSIDE)] = Tissue.SOFT
    return out
