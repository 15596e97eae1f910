"""Digitally reconstructed radiographs of a level: line integrals of the scan along the rays of a C-arm over its disc.

The patient lies prone. For the AP view the tube is under the table and the intensifier above: the beam runs from
ventral to dorsal. For the lateral view the intensifier is on the surgeon's side and the beam runs toward it. Both
beams lie in the disc's mid-plane, so both end plates are seen edge on. Pictures are shown as seen from the intensifier:
AP with the head up, the patient's left on the left; lateral with dorsal up, as the prone patient lies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.recon.anatomy import Anatomy, Frame
from canalwise.recon.grid import Float
from canalwise.recon.scan import Scan
from canalwise.workbench.images.line_integrals import ray_sums
from canalwise.workbench.images.radiograph_view import C_ARM, Grey, Radiograph, RadiographView

AIR_HU = -1000.0
"""Attenuation is taken as proportional to HU - AIR_HU, none below it."""

WATER_PER_HU_MM = C_ARM["water_per_mm"].value / 1000.0
"""Attenuation per mm and HU above air: water is 1000 HU above it (definition of the unit)."""

SKIN_HU = -350.0
"""What is denser is tissue, not air (as `recon.image.skin`)."""

WHITE_BLACK_PERCENT = (1.0, 99.7)
"""Percentiles of the picture that are drawn white and black (by eye)."""

LIGHTEST, DARKEST = 236, 12
"""Greys at those percentiles: neither end of the scale, so that marks stand out on both."""

WHOLE_FRAC = 0.6
"""The contrast is set by rays that pass at least this share of the longest path through tissue."""


FROM_CT = "ray sums of the CT, evened out"
FROM_MR = "NOT a radiograph: an MR cannot give one. The bone found in it, summed along the rays"


@dataclass(frozen=True, eq=False)
class Attenuation:
    """What the beam loses along each ray, (rows, columns) arrays.

    Parameters
    ----------
    total : the line integral of attenuation, without unit; its exponential is the share of the beam that is lost
    tissue_mm : length of the path through the patient that the scan shows
    """

    total: Float
    tissue_mm: Float


def weakening(scan: Scan, frame: Frame, view: RadiographView) -> Attenuation:
    """The line integrals of a CT; raises WrongUse for an MR."""
    scan.kind.check("radiograph")
    found = ray_sums(scan.voxels, scan.grid, view.rays(frame), zero=AIR_HU, above=SKIN_HU)
    return Attenuation(WATER_PER_HU_MM * found.integral, found.above_mm)


def grey_picture(dark: Float, tissue_mm: Float) -> Grey:
    """What weakens the beam as a dark picture; what lies beyond the scan is black, as under a collimator.

    >>> through_bone, through_soft_tissue, beside = 2.0, 0.5, 0.0
    >>> dark = np.array([[through_bone, through_soft_tissue, beside]])
    >>> bone, soft, air = grey_picture(dark, np.array([[200.0, 200.0, 0.0]]))[0]
    >>> bool(0 == air < bone < soft)
    True
    """
    whole = tissue_mm >= WHOLE_FRAC * tissue_mm.max()
    white, black = np.percentile(dark[whole], WHITE_BLACK_PERCENT)
    share = np.clip((dark - white) / max(black - white, 1e-9), 0, 1)
    grey = LIGHTEST + (DARKEST - LIGHTEST) * share
    return np.asarray(np.round(np.where(tissue_mm > 0, grey, 0)), dtype=np.uint8)


def radiograph_of(scan: Scan, anatomy: Anatomy, level_name: str, view: RadiographView) -> Radiograph:
    """The radiograph of a level, computed from the scan; of an MR its bone alone, marked as such."""
    frame = anatomy.level(level_name).frame
    if scan.kind.calibrated:
        reported = weakening(scan, frame, view)
        # what water of the same thickness would take goes off: what is left is bone, fat and gas
        excess = reported.total - C_ARM["water_per_mm"].value * reported.tissue_mm
        return Radiograph(view, grey_picture(excess, reported.tissue_mm), FROM_CT)
    bone = ray_sums(anatomy.occupancy, anatomy.grid, view.rays(frame), above=-1.0)
    return Radiograph(view, grey_picture(bone.integral, bone.above_mm), FROM_MR)
