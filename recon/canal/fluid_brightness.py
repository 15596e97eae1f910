"""Brightness of fluid in a T2 MR, between what is dark about the spine (bone, ligament) and the dural sac's own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.recon.image.volume import Voxels
from canalwise.recon.labels import Labels, Mask, Part, Tissue

FLUID_OVER_MARROW = 1.3
"""Fluid must be brighter than marrow by this to be T2 (choice)."""

LEAST_VOXELS = 30
"""Fewer of the sac tell nothing of its brightness (choice)."""


@dataclass(frozen=True)
class Brightness:
    """What is drawn 0 and 1: dark tissue and fluid."""

    dark: float
    fluid: float

    def frac(self, values: npt.NDArray[np.floating]) -> npt.NDArray[np.floating]:
        """Values as shares of fluid's brightness.

        Parameters
        ----------
        values : (...) array, in the scan's own unit

        Returns
        -------
        share : (...) array, 0 dark, 1 fluid, beyond both where darker or brighter

        >>> Brightness(10.0, 110.0).frac(np.array([60.0])).tolist()
        [0.5]
        """
        return np.asarray((values - self.dark) / (self.fluid - self.dark))


def fluid_brightness(values: Voxels, sac: Mask, labels: Labels) -> Brightness | None:
    """The brightness of fluid and of what is dark; None where fluid is not the brightest (a T1) or too little is seen.

    `values`, `sac`, `labels` : (same shape) arrays; of the labels vertebrae count, and ligament where there is any.
    """
    body, near = (labels >= 100) & (labels % 100 == Part.BODY), (labels >= 100) | (labels == Tissue.FLAVUM)
    if sac.sum() < LEAST_VOXELS or not body.any():
        return None
    fluid, dark = float(np.percentile(values[sac], 95)), float(np.percentile(values[near], 2))
    marrow = float(np.median(values[body]))
    return Brightness(dark, fluid) if fluid > FLUID_OVER_MARROW * marrow and fluid > dark else None
