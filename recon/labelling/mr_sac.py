"""The dural sac of an MR: what the network takes for it, where it is not as dark as ligament throughout.

1. Voxels of a probability of SAC_FRAC or more.
2. On a T2, layers in which all of it is as dark as ligament are none: there the sac is pressed shut, or a void hides
   it. A network that knows how sacs run on bridges such a gap.
3. The largest piece, and what else is no crumb: the sac is seen above and below a place where it is pressed shut.
4. On a T2, what is dark between the sac and epidural fat straight behind it is sac too: roots that have settled there,
   as they do in a patient on the back. Fat lies on the dura, in front of the ligament's two halves.
"""

from __future__ import annotations

from itertools import pairwise

import cc3d
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.canal.fluid_brightness import fluid_brightness
from canalwise.recon.grid import Grid
from canalwise.recon.image.volume import Voxels
from canalwise.recon.labels import Labels, Mask, Tissue
from canalwise.recon.severity_bands import Threshold

SAC_FRAC = 0.3
"""Probability from which a voxel is sac: rootlets at the rim look like fat, so at a half areas of made-up MR come out 9
to 14 % low (medians over slices). At 0.35 the narrowest ones were 3.1 % low in the median of 484 levels; at 0.3 they
were 0.3 instead of 4.0 % low on one examination, with an overlap of 0.906 for 0.910 (`scripts/accuracy_mr.py`)."""

DARK_FRAC = Threshold(
    "sac as dark as ligament",
    0.2,
    "fraction of fluid's brightness",
    "between ligament (0.03 to 0.10) and the dimmest section of a sac with roots (0.46) on one real and one made-up T2",
    "CALC",
)

BRIGHT_PERCENTILE = 80.0
"""Of a layer of the sac: roots and the void of a pulse of fluid fill no layer (choice)."""

LEAST_PIECE_MM3 = 500.0
"""Smaller pieces beside the largest are no sac: half a centimetre of a narrow one (choice)."""


SETTLED_ROOTS_MM = Threshold(
    "roots settled between fluid and epidural fat",
    5.0,
    "mm",
    "half the depth of a sac of 10 mm; 1 to 3.5 mm on one real T2 where the network left them out",
    "PRACTICE",
)
"""At most so much in front of the fat is taken for roots."""

LEAST_FAT_MM, LEAST_WIDTH_MM = 1.5, 2.0
"""Fat must be so deep, and roots before it so wide and long: less is a voxel's chance (choice)."""


def sac_of(frac: npt.NDArray[np.floating], values: Voxels, labels: Labels, fat: Mask, voxel_mm: float) -> Mask:
    """The sac.

    Parameters
    ----------
    frac : probability of sac, 0 where it cannot be
    values, labels : (same shape) arrays of the scan and of what is labelled so far, vertebrae and canal among it; the
        second axis is anterior, the third cranial
    fat : (same shape) array, what is as bright as fat in the canal
    voxel_mm : edge of the voxels
    """
    seen = frac >= SAC_FRAC
    bright = fluid_brightness(values, seen, labels)
    if bright is not None:  # on a T1 the sac is as dark as its roots, and no layer is judged
        seen &= ~dark_layers(seen, bright.frac(values))
        seen = with_settled_roots(seen, labels == Tissue.CANAL, fat & ~seen, voxel_mm)
    return without_crumbs(seen, voxel_mm**3)


def dark_layers(sac: Mask, bright_frac: npt.NDArray[np.floating]) -> Mask:
    """(nz,) array: layers with sac in them, but as dark as ligament.

    >>> bright = np.array([0.9, 0.05, 0.5]) * np.ones((5, 5, 1))
    >>> dark_layers(np.ones((5, 5, 3), bool), bright).tolist()
    [False, True, False]
    """
    dark = [
        bool(mine.any()) and np.percentile(bright[mine], BRIGHT_PERCENTILE) < DARK_FRAC.value
        for mine, bright in zip(np.moveaxis(sac, 2, 0), np.moveaxis(bright_frac, 2, 0), strict=True)
    ]
    return np.array(dark, dtype=bool)


def without_crumbs(mask: Mask, voxel_mm3: float) -> Mask:
    """The largest piece of a mask, and all others of LEAST_PIECE_MM3 or more.

    Parameters
    ----------
    mask : (nx, ny, nz) array
    voxel_mm3 : volume of one of its voxels

    Returns
    -------
    mask : (nx, ny, nz) array

    >>> pressed_shut = np.repeat([True, False, True, False, True], [3, 1, 2, 1, 1])[:, None, None]
    >>> without_crumbs(pressed_shut, 300.0).ravel().astype(int).tolist()
    [1, 1, 1, 0, 1, 1, 0, 0]
    """
    if not mask.any():
        return mask
    pieces = cc3d.dust(mask, threshold=LEAST_PIECE_MM3 / voxel_mm3, connectivity=6) > 0
    return np.asarray(pieces | (cc3d.largest_k(mask, k=1, connectivity=6) > 0))


def with_settled_roots(sac: Mask, room: Mask, fat: Mask, voxel_mm: float) -> Mask:
    """The sac with what lies between it and fat straight behind it, up to SETTLED_ROOTS_MM.

    Parameters
    ----------
    sac, room, fat : (nx, ny, nz) arrays, the sac, the canal and the fat in it; the second axis is anterior

    >>> spread = np.ones((5, 1, 5), bool)
    >>> sac, fat = (np.array(v, bool)[None, :, None] & spread for v in ([0, 0, 0, 0, 1, 1], [1, 1, 0, 0, 0, 0]))
    >>> with_settled_roots(sac, sac | True, fat, 1.0)[2, :, 2].astype(int).tolist()
    [0, 0, 1, 1, 1, 1]
    """
    deep, most = max(round(LEAST_FAT_MM / voxel_mm), 1), round(SETTLED_ROOTS_MM.value / voxel_mm)
    # from front to back, layer by layer of the coronal plane
    there, within, fatty = (np.moveaxis(np.flip(mask, axis=1), 1, 0) for mask in (sac, room, fat))
    found = np.zeros_like(there)
    since = np.full(there[0].shape, most + 2)  # voxels since the sac was left; too many where it was not met
    for y in range(len(there)):
        since = np.where(there[y], 0, np.where(within[y], since + 1, most + 2))
        hit = fatty[y : y + deep].all(axis=0) & (since <= most + 1)
        for back in range(1, most + 1):
            found[y - back] |= hit & (back < since)
        since[hit] = most + 2
    wide = max(round(LEAST_WIDTH_MM / voxel_mm), 1)
    settled = np.flip(np.moveaxis(found, 0, 1), axis=1)
    return np.asarray(sac | ndimage.binary_opening(settled, np.ones((wide, 1, wide), bool)))


def interruptions(sac: Mask, grid: Grid) -> list[tuple[float, float]]:
    """(lowest, highest) RAS z, mm, of each gap between layers that show sac, caudal to cranial.

    >>> from canalwise.recon.grid import isotropic_grid
    >>> seen = np.array([False, True, False, False, True])[None, None, :]
    >>> interruptions(seen, isotropic_grid((0, 0, 0), (0, 0, 8), 2.0))
    [(4.0, 6.0)]
    """
    layers = np.flatnonzero(sac.any(axis=(0, 1)))
    middle = np.argwhere(sac)[:, :2].mean(axis=0) if len(layers) else np.zeros(2)
    ends = [(low + 1, high - 1) for low, high in pairwise(layers.tolist()) if high - low > 1]
    heights = [grid.world_mm(np.array([[*middle, low], [*middle, high]]))[:, 2] for low, high in ends]
    return [(float(low), float(high)) for low, high in heights]


def interruption_sentence(low_mm: float, high_mm: float) -> str:
    """What a reader must look at."""
    return (
        f"No fluid is seen in the dural sac from RAS z {low_mm:.0f} to {high_mm:.0f} mm, though it is above and below: "
        "pressed shut there, or hidden by a void of metal or flow. Look at it in the images."
    )
