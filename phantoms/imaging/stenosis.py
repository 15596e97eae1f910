"""A stenosis drawn into a label map and its CT: thicker ligament, and overgrown superior articular processes."""

from __future__ import annotations

from dataclasses import replace

import edt
import numpy as np

from canalwise.phantoms.imaging.scanner import PhantomScan
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Mask, Part, Tissue, bone_mask, canal_mask

OVERGROWN = (Part.SUPERIOR_ARTICULAR_LEFT, Part.SUPERIOR_ARTICULAR_RIGHT)

GROWN_HU = 900.0
"""Of bone that is grown, as of the cortex elsewhere (`phantoms.spec`)."""


def narrowed(scan: PhantomScan, ligament_mm: float, process_mm: float) -> PhantomScan:
    """The scan with its canal narrowed at every level.

    Parameters
    ----------
    scan : labels with parts, canal and ligament
    ligament_mm : the ligament gains this much thickness, inward
    process_mm : the superior articular processes grow this far into the canal, medially and ventrally; bone comes first

    The sac is taken out of the label map: what room is left for it is for whoever reads the map to say.
    """
    canal = canal_mask(scan.labels)
    labels = np.where(scan.labels == Tissue.SAC, Tissue.CANAL, scan.labels).astype(np.uint16)
    labels[canal & _within(scan.labels == Tissue.FLAVUM, ligament_mm, scan.grid)] = Tissue.FLAVUM
    ct_hu = scan.ct_hu.copy()
    processes = bone_mask(scan.labels) & np.isin(scan.labels % 100, OVERGROWN)
    for label in np.unique(scan.labels[processes]):
        grown = canal & _within(scan.labels == label, process_mm, scan.grid)
        labels[grown], ct_hu[grown] = label, GROWN_HU
    return replace(scan, labels=labels, ct_hu=ct_hu)


def _within(mask: Mask, distance_mm: float, grid: Grid) -> Mask:
    """(same shape) array: does a voxel's centre lie within a distance of the mask's face?"""
    if distance_mm <= 0 or not mask.any():
        return np.zeros(mask.shape, dtype=bool)
    # Distances run to voxel centres, half a voxel behind the face.
    away = edt.edt(np.asfortranarray(~mask), anisotropy=tuple(grid.spacing_mm)) - float(grid.spacing_mm.mean()) / 2
    near: Mask = ~mask & (away <= distance_mm)
    return near
