"""Implants in a CT: where they lie, what their streaks reach, and the scan with both tamed for finding bone.

Metal is far brighter than any bone, so single screws would set the levels that part bone from soft tissue; its
streaks run through the slices that hold it, as dark and bright bands. Neither can be read as tissue. Metal is drawn in
to bone, streaks are evened out, and every level they reach is named to the person.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import cc3d
import numpy as np
from scipy import ndimage

from canalwise.recon.grid import Grid
from canalwise.recon.labels import Labels, Mask, vertebra_number
from canalwise.recon.scan import Scan

METAL_HU = 2500.0
"""No bone is as bright; enamel and titanium are (common practice, no source)."""

RIM_HU = 1800.0
"""Voxels this bright that touch metal are its blurred rim."""

LEAST_MM3 = 30.0
"""A smaller piece is a clip or a fault of the detector (choice)."""

BONE_LIKE_HU = 1200.0
"""What metal is drawn in to: dense cortical bone."""

STREAK_MM = 30.0
"""Streaks fade within about this of their metal (common practice, no source)."""

STREAK_RANGE_HU = (-150.0, 1500.0)
"""Values beyond are drawn in to here where streaks run."""

SMOOTH_MM = 1.5
"""Width of the median that evens streaks out, across the slice."""


@dataclass(frozen=True, eq=False)
class Implants:
    """Implants of a scan.

    Parameters
    ----------
    mask : (nx, ny, nz) array, metal with its blurred rim
    streaked : (nx, ny, nz) array, what streaks of it may reach: near it, in the slices that hold it
    """

    mask: Mask
    streaked: Mask


def metal_of(scan: Scan) -> Implants | None:
    """The implants of a CT; None without any.

    >>> from canalwise.recon.grid import Grid
    >>> plain = Scan(np.zeros((4, 4, 4), dtype=np.int16), Grid((4, 4, 4), np.eye(4)), "CT")
    >>> metal_of(plain) is None
    True
    """
    if not scan.kind.calibrated or not (scan.voxels >= METAL_HU).any():
        return None
    core = scan.voxels >= METAL_HU
    # single bright voxels are noise, or a clip that leaves no streaks worth a word
    least = max(round(LEAST_MM3 / scan.grid.voxel_mm3), 1)
    core = np.asarray(cc3d.dust(core, threshold=least, connectivity=26) > 0)
    if not core.any():
        return None
    mask = np.asarray(ndimage.binary_dilation(core, iterations=2, mask=scan.voxels >= RIM_HU) | core)
    return Implants(mask, _streaked(mask, scan.grid))


def _streaked(mask: Mask, grid: Grid) -> Mask:
    """Voxels within STREAK_MM of metal in their own slice."""
    near = np.zeros_like(mask)
    for k in np.flatnonzero(mask.any(axis=(0, 1))):
        away = ndimage.distance_transform_edt(~mask[:, :, k], sampling=grid.spacing_mm[:2])
        near[:, :, k] = np.asarray(away) <= STREAK_MM
    return near


def tamed(scan: Scan, metal: Implants) -> Scan:
    """The CT with metal drawn in to bone and streaks evened out: for finding bone, never for showing."""
    voxels = scan.voxels.copy()
    width = np.maximum(2 * np.rint(SMOOTH_MM / 2 / scan.grid.spacing_mm[:2]).astype(int) + 1, 3)
    for k in np.flatnonzero(metal.streaked.any(axis=(0, 1))):
        where = metal.streaked[:, :, k] & ~metal.mask[:, :, k]
        slab = np.clip(voxels[:, :, k].astype(np.float32), *STREAK_RANGE_HU)
        voxels[:, :, k][where] = ndimage.median_filter(slab, size=tuple(width))[where]
    # last, so that no median has drawn metal into the tissue beside it
    voxels[metal.mask] = BONE_LIKE_HU
    return replace(scan, voxels=voxels)


def metal_warning(metal: Implants, labels: Labels, grid: Grid, levels: Mapping[str, tuple[str, str]]) -> str:
    """A sentence about the implants that names the levels (name -> upper and lower vertebra) their streaks reach.

    Parameters
    ----------
    labels : (nx, ny, nz) array on `grid`, as the masks of `metal`
    """
    reached = {int(n) for n in np.unique(labels[metal.streaked] // 100)}
    blind = [name for name, pair in levels.items() if reached & {vertebra_number(v) for v in pair}]
    volume = float(metal.mask.sum()) * grid.voxel_mm3
    about = f"numbers of {', '.join(blind)} rest on what its streaks left" if blind else "its streaks reach no level"
    return f"Metal, about {volume:.0f} mm3: {about}. Look at the images themselves."
