"""The bones of a scan, before ligament, sac and levels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.recon.anatomy import Correction, Naming, Source
from canalwise.recon.labels import Labels
from canalwise.recon.registration.carried_tissue import CarriedTissue


@dataclass(frozen=True, eq=False)
class MrTissue:
    """What an MR shows on a CT's voxels, and whether its outlines were given or found."""

    carried: CarriedTissue
    source: Source


@dataclass(frozen=True, eq=False)
class BoneAnatomy:
    """What a scan's bones are, before ligament, sac and levels.

    Parameters
    ----------
    labels : (nx, ny, nz) uint16 array, parts and canal named
    occupancy : (nx, ny, nz) float32 array, bone share
    sources : 'vertebrae', 'parts', 'canal', 'levels' and, where given, 'sac' and 'flavum'
    naming : what the vertebrae's names rest on
    corrections : what a person changed, in order
    mr : what an MR beside the CT shows of the canal, on this grid
    """

    labels: Labels
    occupancy: npt.NDArray[np.float32]
    sources: dict[str, Source]
    warnings: tuple[str, ...] = ()
    naming: Naming | None = None
    corrections: tuple[Correction, ...] = ()
    mr: MrTissue | None = None
