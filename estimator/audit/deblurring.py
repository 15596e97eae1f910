"""Shares of bone taken, freed from the scanner's blur and the average's.

An average of differences cannot be divided by an average of bone: beside a cut, marrow would inherit the loss of the
cortex that lay next to it, for cortex is far denser, and volumes came out 7 % large
(scripts/accuracy_audit.py). What was lost is instead looked for as shares of what each place held: those shares whose
loss, blurred as both scans and the average blur, comes nearest to the difference seen. Both steps are Richardson and
Lucy's iteration (Richardson WH, J Opt Soc Am 1972;62:55; Lucy LB, Astron J 1974;79:745; both from memory), which keeps
everything positive.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.labels import Mask
from canalwise.recon.scan import Scan

Field = npt.NDArray[np.float32]

AIR_HU, SKIN_STEP_HU = -1000.0, 1000.0
"""Air, and how far soft tissue stands above it (docs/published-values.md#ct-values)."""

OUTSIDE_VOXELS, INSIDE_VOXELS = 3, 2
"""Depth on both sides of the skin that an edge's blur is read from: beneath the skin fat is darker."""

TOP_SIGMA_VOXELS = 0.7
"""Blur against noise before the highest value near an edge is taken."""

ENOUGH_EDGE_VOXELS = 2000
"""Fewer voxels at the skin tell no blur."""

LAYERS = 24
"""Of a scan, about the level, whose skin is looked at."""

USUAL_PSF_MM = 0.38
"""Deviation of a scanner's point spread where the skin is not in view: 0.9 mm at half height (choice)."""

PSF_RANGE_MM = (0.1, 0.65)
"""No point spread is taken for narrower or wider (choice)."""

SHARPENING_ROUNDS, SHARE_ROUNDS = 8, 10
"""Rounds of either iteration (choice)."""

FLOOR_HU = 5.0
"""What is smaller is not divided by."""

RAMP, FINE_MM, COARSE_MM = 0.25, 0.75, 1.5
"""On voxels of FINE_MM shares this near to none or all are none or all: a cut is sharp, what is left beside it is blur
and noise. Voxels of COARSE_MM are mostly cut through and keep their shares; between, in proportion (choice, on four
made-up spines and a real crop: scripts/accuracy_audit.py)."""

TRUNCATE_SIGMAS = 3.0


def point_spread_mm(scan: Scan, layers: slice) -> float:
    """Standard deviation of a CT's point spread, mm, from how soft the skin's edge to air is in some of its layers.

    Across an edge blurred by a Gaussian of deviation s, f (1 - f) sums to s / sqrt(pi), f running from 0 to 1; along it
    the gradient's magnitude sums to its area. The voxel's own width is taken off.
    """
    middle = (layers.start + layers.stop) // 2
    some = slice(max(middle - LAYERS // 2, 0), middle + LAYERS // 2)
    above = np.maximum(scan.voxels[:, :, some].astype(np.float32) - AIR_HU, 0)
    if min(above.shape) <= 2 * OUTSIDE_VOXELS:
        return USUAL_PSF_MM
    inside = above > SKIN_STEP_HU / 2
    edge = ndimage.binary_dilation(inside, iterations=OUTSIDE_VOXELS)
    edge &= ~ndimage.binary_erosion(inside, iterations=INSIDE_VOXELS, border_value=1)
    for axis in range(3):  # gradients at the ends of a scan look one way only
        np.moveaxis(edge, axis, 0)[[0, -1]] = False
    if np.count_nonzero(edge) < ENOUGH_EDGE_VOXELS:
        return USUAL_PSF_MM
    # skin and fat do not stand equally high above air: 1 is what is reached near by
    top = ndimage.maximum_filter(_blur(above, TOP_SIGMA_VOXELS), 2 * OUTSIDE_VOXELS + 1)
    frac = np.clip(above / np.maximum(top, SKIN_STEP_HU / 2), 0, 1)
    spacing = scan.grid.spacing_mm
    steps = np.gradient(frac, *(float(s) for s in spacing))
    area = float(np.sqrt(sum(step**2 for step in steps))[edge].sum())
    soft_mm = np.sqrt(np.pi) * float((frac * (1 - frac))[edge].sum()) / max(area, 1e-6)
    of_voxel_mm2 = float(np.mean(spacing**2)) / 12
    return float(np.clip(np.sqrt(max(soft_mm * abs(soft_mm) - of_voxel_mm2, 0.0)), *PSF_RANGE_MM))


def sharpened(values: Field, sigma_voxels: npt.ArrayLike) -> Field:
    """A field of nothing negative as it was before a Gaussian blurred it, as far as that can be known."""
    found = values.copy()
    for _ in range(SHARPENING_ROUNDS):
        ratio = (values + FLOOR_HU) / (_blur(found, sigma_voxels) + FLOOR_HU)
        found = found * _blur(ratio, sigma_voxels)
    return found


def shares_lost(
    lost: tuple[Field, Field],
    held: Field,
    first: Field,
    where: Mask,
    sigma_mm: npt.ArrayLike,
    spacing_mm: npt.ArrayLike,
) -> Field:
    """Share that each place lost of what it held.

    Parameters
    ----------
    lost : (loss seen, its noise's deviation), HU, positive; both fields have the shape of the others
    held : what each place held, HU, before it was blurred
    first : shares to begin with; they stay as they are outside `where`
    sigma_mm : of the blur between what a place lost and the loss seen, along each axis
    spacing_mm : of the voxels
    """
    sigma_voxels = np.asarray(sigma_mm) / np.asarray(spacing_mm)
    seen, noise = lost
    share = np.where(where, np.clip(first, 0.05, 1), first).astype(np.float32)
    for _ in range(SHARE_ROUNDS):
        ratio = (seen + noise) / (_blur(held * share, sigma_voxels) + noise)
        share = np.where(where, np.clip(share * _blur(ratio, sigma_voxels), 0, 1), share)
    ramp = ramp_of(float(np.prod(np.broadcast_to(spacing_mm, 3)) ** (1 / 3)))
    sharp = np.clip((share - ramp) / (1 - 2 * ramp), 0, 1)
    return np.where(where, sharp, share).astype(np.float32)


def ramp_of(edge_mm: float) -> float:
    """Shares nearer than this to none or all are none or all, for voxels of some edge.

    >>> ramp_of(0.5), ramp_of(1.5)
    (0.25, 0.0)
    """
    return RAMP * float(np.clip((COARSE_MM - edge_mm) / (COARSE_MM - FINE_MM), 0, 1))


def _blur(field: Field, sigma_voxels: npt.ArrayLike) -> Field:
    return np.asarray(ndimage.gaussian_filter(field, np.asarray(sigma_voxels), truncate=TRUNCATE_SIGMAS))
