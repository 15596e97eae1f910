"""Sac and ligament in the canal of an MR, as the network sees them and as fat tells them apart."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.grid import Grid
from canalwise.recon.image.volume import Voxels
from canalwise.recon.labelling.mr_sac import sac_of
from canalwise.recon.labels import Labels, Mask, Tissue
from canalwise.recon.segmentation.tissue_classes import TissueClass

FLAVUM_FRAC = 0.4
"""Probability from which a voxel is ligament: at a half its thickness comes out low, Dice 0.841 against 0.856
(`scripts/accuracy_mr.py`)."""

EPIDURAL_FRAC, LEAST_SEEN, FAT_OVER_LIGAMENT = 0.5, 50, 2.0
"""Probability from which a voxel is canal and neither sac nor ligament; fewer voxels of fat or ligament tell nothing of
their brightness; and by how much fat must be the brighter of both (choices)."""


@dataclass(frozen=True, eq=False)
class CanalContents:
    """Masks of the dural sac and of the ligamentum flavum."""

    sac: Mask
    flavum: Mask


def contents_of(
    frac_of: Callable[[TissueClass], npt.NDArray[np.floating]], values: Voxels, labels: Labels, grid: Grid
) -> CanalContents:
    """Sac and ligament of an MR.

    Parameters
    ----------
    frac_of : gives the probability of a class on the grid; that of the canal holds all that lies in it
    values, labels : (grid shape) arrays of the scan and of what is labelled so far, vertebrae and the whole canal
    grid : isotropic; its second axis is anterior, its third cranial
    """
    canal, sac, flavum = (frac_of(one) for one in (TissueClass.CANAL, TissueClass.SAC, TissueClass.FLAVUM))
    room = labels == Tissue.CANAL
    fat_value = _fat_value(flavum >= FLAVUM_FRAC, canal - sac - flavum >= EPIDURAL_FRAC, values)
    fat = room & (values >= fat_value)
    sac_mask = sac_of(np.where(room & (sac > flavum), sac, 0.0), values, labels, fat, float(grid.spacing_mm[1]))
    # the ligament lies in the canal's own border, where the probability of both is shared with bone and muscle
    flavum_mask = np.isin(labels, (Tissue.CANAL, Tissue.SOFT)) & ~sac_mask & (flavum >= FLAVUM_FRAC)
    return CanalContents(sac_mask, flavum_mask & ~_fat_in(flavum_mask, values, fat_value))


def _fat_value(ligament: Mask, epidural: Mask, values: Voxels) -> float:
    """The value from which what lies in the canal is fat; infinite where fat and ligament are not told apart.

    A ligament is dark on T1 and T2; where fat is not twice as bright, its signal is suppressed. Of what the network
    takes for neither sac nor ligament the brighter half is fat, the rest rims and roots.
    """
    if ligament.sum() < LEAST_SEEN or epidural.sum() < LEAST_SEEN:
        return np.inf
    dark, bright = float(np.percentile(values[ligament], 25)), float(np.percentile(values[epidural], 75))
    return np.inf if bright < FAT_OVER_LIGAMENT * dark else (dark + bright) / 2


def _fat_in(ligament: Mask, values: Voxels, fat_value: float) -> Mask:
    """(same shape) array: what is as bright as fat of what the network takes for ligament, but for thin rims.

    Between the two halves of the ligament lies a triangle of fat, which no shape that the network learnt from has.
    """
    light = ligament & (values >= fat_value)
    return np.asarray(ndimage.binary_propagation(ndimage.binary_opening(light), mask=light))
