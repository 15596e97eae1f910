"""What fills the dural sac where it is narrowest, read in a T2 MR: fluid, rootlets, and fat behind it.

Brightness is measured between what is dark about the spine (cortical bone, ligament) and the fluid of the whole sac in
view, for an MR has no unit. Rootlets are a millimetre thick: where the pixels across the sac are longer than that, or
fluid is not the brightest (T1), nothing is read.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.anatomy import Frame
from canalwise.recon.canal.fluid_brightness import Brightness, fluid_brightness
from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.sampling import linear_at
from canalwise.recon.labels import Labels, Tissue
from canalwise.recon.scan import Scan

LONGEST_ACROSS_MM = 1.0
"""Longer pixels across the sac show no rootlet apart (a rootlet is about 1 mm thick; choice)."""

FLUID_FRAC = 0.65
"""Brightness from which a place is fluid: half-way between rootlets and fluid at usual echo times
(`phantoms.imaging.mr_signal`)."""

HALF_MM, PIXEL_MM, RIM_MM, BEHIND_MM = 18.0, 0.4, 0.8, 5.0
"""Half the edge of the section and its pixels; a rim of the sac left out, for it is shared with its wall; and how far
behind the sac fat is looked for."""

KEYS = ("fluid in the sac", "spread in the sac", "fat behind the sac")
"""Of `recon.measurement.kinds`."""

LEAST_PIXELS = 30
"""Fewer tell nothing: 5 mm2."""


@dataclass(frozen=True)
class SacContents:
    """Of one section of the sac.

    Parameters
    ----------
    fluid_frac : share of it that is as bright as fluid
    spread_frac : tenth to 90th percentile of its brightness: rootlets that can be told apart make it wide
    fat_frac : brightness of what lies behind the sac in the canal; 0 where nothing does
    """

    fluid_frac: float
    spread_frac: float
    fat_frac: float

    @property
    def percent(self) -> dict[str, float]:
        """Key of `recon.measurement.kinds.KINDS` -> percent.

        >>> SacContents(0.25, 0.5, 0.0).percent["fluid in the sac"]
        25.0
        """
        shares = (self.fluid_frac, self.spread_frac, self.fat_frac)
        return {key: 100 * share for key, share in zip(KEYS, shares, strict=True)}


def brightness_of_scan(scan: Scan | None, labels: Labels) -> Brightness | None:
    """The brightness of fluid and of what is dark in a T2 MR; None of a CT or a T1.

    Parameters
    ----------
    labels : (nx, ny, nz) array on the scan's own grid
    """
    if scan is None or scan.kind.calibrated:
        return None
    return fluid_brightness(scan.voxels, labels == Tissue.SAC, labels)


def contents_of(
    scan: Scan, labels: Labels, place: tuple[Frame, Float, Float], brightness: Brightness
) -> SacContents | None:
    """What fills the sac in a section; None where too little of it is in view, or pixels are too long for rootlets.

    Parameters
    ----------
    scan, labels : on one grid
    place : a level's frame, the section's middle and (2, 3) its left and dorsal directions in that frame
    """
    frame, middle, (left, dorsal) = place
    if scan.across_mm(float(frame.to_world_mm(middle)[2])) > LONGEST_ACROSS_MM:
        return None
    at = np.arange(-HALF_MM, HALF_MM + PIXEL_MM / 2, PIXEL_MM)
    points = middle + at[:, None, None] * left + at[None, :, None] * dorsal
    index = scan.grid.index_of(frame.to_world_mm(points.reshape(-1, 3))).reshape(points.shape)
    value = brightness.frac(linear_at(scan.voxels.astype(np.float32), index))
    sac, canal = (_share(labels, scan.grid, index, tissue) for tissue in (Tissue.SAC, Tissue.CANAL))
    inner = _inner(sac >= 0.5)
    if inner.sum() < LEAST_PIXELS:
        return None
    held = value[inner]
    dorsal_of = np.broadcast_to(at[None, :], sac.shape)
    edge = float(dorsal_of[sac >= 0.5].max())
    behind = (canal >= 0.5) & (dorsal_of > edge - RIM_MM) & (dorsal_of <= edge + BEHIND_MM)
    low, high = np.percentile(held, (10, 90))
    fat = float(np.median(value[behind])) if behind.sum() >= LEAST_PIXELS else 0.0
    return SacContents(float((held >= FLUID_FRAC).mean()), float(high - low), float(np.clip(fat, 0.0, 1.0)))


def _share(labels: Labels, grid: Grid, index: Float, tissue: Tissue) -> Float:
    """Share of a tissue at fractional indices."""
    return linear_at((labels == tissue).astype(np.float32), index)


def _inner(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """A mask without its rim."""
    return np.asarray(ndimage.binary_erosion(mask, iterations=max(round(RIM_MM / PIXEL_MM), 1)))
