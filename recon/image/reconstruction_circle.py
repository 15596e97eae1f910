"""What a scanner writes outside its reconstruction circle, drawn in to air.

Some writers fill it with a value far below air (-2000, -3024), others with 0 HU, which looks like water. Left in,
either would colour means and modes, and a ring of 'soft tissue' would lie about the patient.
"""

from __future__ import annotations

from dataclasses import replace

import cc3d
import numpy as np
import numpy.typing as npt

from canalwise.recon.scan import Scan

Voxels = npt.NDArray[np.int16] | npt.NDArray[np.float32]

AIR_HU = -1024
"""Nothing is thinner than air; 12-bit scanners end here."""

WATER_HU = 0
"""The other value that writers leave outside the circle: stored zeros."""

MOST_FRAC = 0.25
"""A circle that touches a square's sides leaves 21 % of it; more is no padding."""


def unpadded(scan: Scan) -> Scan:
    """The CT with padding turned to air: values below it, and zeros that fill all corners of all slices.

    >>> from canalwise.recon.grid import Grid
    >>> field = np.full((8, 8, 2), 40, dtype=np.int16); field[[0, 0, -1, -1], [0, -1, 0, -1]] = -3024
    >>> int(unpadded(Scan(field, Grid((8, 8, 2), np.eye(4)), "CT")).voxels.min())
    -1024
    """
    if not scan.kind.calibrated:
        return scan
    voxels: Voxels = scan.voxels
    if voxels.min() < AIR_HU:
        voxels = np.maximum(voxels, np.asarray(AIR_HU, dtype=voxels.dtype))
    if (voxels[[0, 0, -1, -1], [0, -1, 0, -1]] == WATER_HU).all():
        voxels = _without_corners(voxels)
    return scan if voxels is scan.voxels else replace(scan, voxels=voxels)


def _without_corners(voxels: Voxels) -> Voxels:
    """The voxels with the zeros that hang together with a slice's corner turned to air; slices of zeros alone stay."""
    out = voxels.copy()
    for k in range(voxels.shape[2]):
        pieces = cc3d.connected_components(voxels[:, :, k] == WATER_HU, connectivity=4)
        outside = np.isin(pieces, np.unique(pieces[[0, 0, -1, -1], [0, -1, 0, -1]])) & (pieces > 0)
        if outside.mean() <= MOST_FRAC:
            out[:, :, k][outside] = AIR_HU
    return out
