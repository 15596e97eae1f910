"""Calcified or ossified tissue inside the canal, found in a CT: bright, in the canal, and not the wall's own blur."""

from __future__ import annotations

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.labels import Labels, Mask, Tissue, bone_mask, canal_mask
from canalwise.recon.scan import Scan

ABOVE_SOFT_HU = 150.0
"""Over the canal's median: ligament and vessels are under 100 HU, calcium over 130 (common practice, no source)."""

NOISE_SIGMAS = 5.0
"""... and this many deviations of the smoothed canal's own values: a noisy scan shows less."""

SMOOTH_MM = 0.4
"""Standard deviation of the blur against noise."""

CLEAR_MM = 1.0
"""A bright voxel this far from named bone is none of its blur."""

BESIDE_MM = 2.0
"""How far outside the canal's smooth wall a sheet that begins inside may reach."""

OUTSIDE_FRAC = 0.3
"""A piece with more than this share outside, as against inside, is no tissue of the canal."""

LEAST_MM3 = 10.0
"""A smaller piece is noise (choice)."""

MOST_FRAC = 0.15
"""More of the canal than this is no calcium but contrast medium in the sac."""


def with_calcified(labels: Labels, scan: Scan) -> Labels:
    """(same shape) labels with Tissue.CALCIFIED where a CT shows it in the canal; given ones stay alone.

    Parameters
    ----------
    labels : (nx, ny, nz) uint16 array with bones and canal named

    Notes
    -----
    A piece begins clear of named bone and takes in what is as bright and hangs together with it, in the canal or just
    beside its smooth wall, but no bone. Nothing is reported where most of the canal is bright.

    >>> from canalwise.recon.grid import Grid
    >>> empty = np.zeros((4, 4, 4), dtype=np.uint16)
    >>> with_calcified(empty, Scan(np.zeros((4, 4, 4), np.int16), Grid((4, 4, 4), np.eye(4)), "CT")) is empty
    True
    """
    canal = canal_mask(labels)
    if not scan.kind.calibrated or not canal.any() or (labels == Tissue.CALCIFIED).any():
        return labels
    box = _around(canal, max(round(4.0 / float(scan.grid.spacing_mm.min())), 2))
    found = calcified_mask(labels[box], scan.cropped(box))
    if not found.any():
        return labels
    out = labels.copy()
    out[box][found] = Tissue.CALCIFIED
    return out


def calcified_mask(labels: Labels, scan: Scan) -> Mask:
    """(nx, ny, nz) array: calcified tissue in and just beside the canal of a labelled CT."""
    canal, bone = canal_mask(labels), bone_mask(labels)
    bright = _bright(scan, canal, bone) & ~bone
    if (bright & canal).sum() > MOST_FRAC * canal.sum():
        return np.zeros_like(canal)
    spacing = scan.grid.spacing_mm
    away, aside = (
        edt.edt(np.asfortranarray(~mask), anisotropy=tuple(spacing), black_border=False) for mask in (bone, canal)
    )
    clear = away > CLEAR_MM
    pieces = cc3d.connected_components(bright & (clear | canal), connectivity=6)
    count = int(pieces.max()) + 1
    seeds, beyond = (np.bincount(pieces[where], minlength=count) for where in (clear & canal, aside > BESIDE_MM))
    # What reaches far out of the canal is a bone without a name: of a vertebra that the scan cuts off.
    kept = np.flatnonzero((seeds * scan.grid.voxel_mm3 >= LEAST_MM3) & (beyond <= OUTSIDE_FRAC * seeds))
    found = np.isin(pieces, kept[kept > 0]) & (aside <= BESIDE_MM)
    # The wall's own blur may hang together with a sheet: of it only what touches the clear part is taken.
    return np.asarray(ndimage.binary_dilation(found & clear, iterations=2, mask=found))


def _bright(scan: Scan, canal: Mask, bone: Mask) -> Mask:
    smooth = ndimage.gaussian_filter(scan.voxels.astype(np.float32), SMOOTH_MM / scan.grid.spacing_mm)
    inner = smooth[canal & ~ndimage.binary_dilation(bone, iterations=2)]
    if not inner.size:
        return np.zeros_like(canal)
    middle = float(np.median(inner))
    # Deviation of the darker half: calcium itself must not raise it. Fat does, a little.
    spread = 1.4826 * float(np.median(middle - inner[inner <= middle]))
    return np.asarray(smooth >= middle + max(ABOVE_SOFT_HU, NOISE_SIGMAS * spread))


def _around(mask: Mask, margin: int) -> tuple[slice, slice, slice]:
    """Index box of a mask and a margin of voxels."""
    index: list[npt.NDArray[np.intp]] = [
        np.flatnonzero(mask.any(axis=tuple(b for b in range(3) if b != a))) for a in range(3)
    ]
    i, j, k = (slice(max(int(n[0]) - margin, 0), int(n[-1]) + margin + 1) for n in index)
    return i, j, k
