"""Bony spurs that the network does not see: bright, hanging on a process, beyond what it names.

Worn joints grow into the recess and the foramen, in shapes that no training set holds; and it is this bone that a
decompression must take. Only what reaches well beyond the named bone counts: its own blurred border does not.
"""

from __future__ import annotations

from dataclasses import replace

import cc3d
import numpy as np

from canalwise.recon.bone.occupancy import BoneModel
from canalwise.recon.image.morphology import dilated, grown_into
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.network_grid import GRAIN_MM, SCALE_HU, network_input
from canalwise.recon.segmentation.tissue_classes import TissueClass, TissueClassMap

BRIGHT_FRAC = 0.5
"""Share of the step from soft tissue to the typical bony wall from which a spur is bright (choice)."""

REACH_MM = 5.0
"""How far a spur stands out of what the network names (choice)."""

BESIDE_MM = 1.0
"""Bright this near to named bone is its blurred border."""

LEAST_MM3 = 12.0
"""A spur has at least this much beyond the border; less is noise or a vessel's wall (choice)."""

GAP_MM = 2.0
"""Nothing is added this near to both processes of a joint: its gap would close."""

BEARING = (TissueClass.PARS, TissueClass.LAMINA, TissueClass.SUPERIOR, TissueClass.INFERIOR)
"""What spurs grow from into recess and foramen."""


def with_spurs(seen: TissueClassMap, scan: Scan, model: BoneModel) -> TissueClassMap:
    """What the network sees, with spurs named after what they hang on.

    Parameters
    ----------
    seen : on its own grid
    scan, model : the CT and its tissue levels
    """
    named = seen.kind >= TissueClass.DISC
    bearing = np.where(np.isin(seen.kind, BEARING), seen.kind, 0)
    image = network_input(scan, seen.grid) if seen.image is None else seen.image
    bright = image * SCALE_HU >= model.soft_hu + BRIGHT_FRAC * (model.wall_hu - model.soft_hu)
    joint = dilated(seen.kind == TissueClass.SUPERIOR, _steps(GAP_MM)) & dilated(
        seen.kind == TissueClass.INFERIOR, _steps(GAP_MM)
    )
    room = bright & (seen.kind == TissueClass.OTHER) & ~joint
    grown = grown_into(bearing, room, _steps(REACH_MM)) * room
    beyond = (grown > 0) & ~dilated(named, _steps(BESIDE_MM))
    least = max(round(LEAST_MM3 / seen.grid.voxel_mm3), 1)
    sure = cc3d.dust(beyond, threshold=least, connectivity=6) > 0
    spur = (grown > 0) & dilated(sure, _steps(BESIDE_MM) + 1)
    return replace(
        seen,
        kind=np.where(spur, grown, seen.kind).astype(np.uint8),
        bone_frac=np.where(spur, np.float32(1.0), seen.bone_frac),
    )


def _steps(length_mm: float) -> int:
    """Whole voxels of the network's grid in a length."""
    return max(round(length_mm / GRAIN_MM), 1)
