"""The classes that the network assigns to voxels, and a map of them on a grid."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from canalwise.recon.grid import Grid
from canalwise.recon.labels import Part


class TissueClass(IntEnum):
    """Tissue classes of the network; sides are assigned later."""

    OTHER = 0
    CANAL = 1
    DISC = 2
    BODY = 3
    PEDICLE = 4
    PARS = 5
    LAMINA = 6
    SPINOUS = 7
    SUPERIOR = 8
    INFERIOR = 9
    TRANSVERSE = 10
    SACRUM = 11
    # The network for CT stops here: `TissueClassMap.detail` of a CT holds no more than `TissueClassMap.kind`.
    SAC = 12
    FLAVUM = 13
    RIB = 14
    ILIUM = 15
    BYSTANDER = 16


PART_NAMES = {
    TissueClass.PEDICLE: "pedicle",
    TissueClass.PARS: "pars",
    TissueClass.LAMINA: "lamina",
    TissueClass.SUPERIOR: "superior_articular",
    TissueClass.INFERIOR: "inferior_articular",
    TissueClass.TRANSVERSE: "transverse",
}
"""Kinds that come in pairs, and their parts' names."""


SOFT_KINDS = (TissueClass.CANAL, TissueClass.SAC, TissueClass.FLAVUM, TissueClass.DISC)
"""Kinds of an MR whose borders are resolved within the network's voxels."""

MIDDLE_PARTS = {TissueClass.BODY: Part.BODY, TissueClass.SPINOUS: Part.SPINOUS_PROCESS}


@dataclass(frozen=True, eq=False)
class TissueClassMap:
    """Tissue classes that the network finds.

    Parameters
    ----------
    grid : about GRAIN_MM, its axes those of the scan
    kind : (nx, ny, nz) uint8 array of `TissueClass` up to SACRUM: sac and ligament count as canal, what is none of the
        spine's as other
    bone_frac : (nx, ny, nz) float32 array, probability of any bone of the spine
    detail : (nx, ny, nz) uint8 array of every `TissueClass`; None where the map was made elsewhere
    frac : kind -> (nx, ny, nz) float32 array, its probability, of the SOFT_KINDS of an MR; CANAL holds sac and ligament
    image : (nx, ny, nz) float32 array, the scan as the network took it; None where the map was made elsewhere
    """

    grid: Grid
    kind: npt.NDArray[np.uint8]
    bone_frac: npt.NDArray[np.float32]
    detail: npt.NDArray[np.uint8] | None = None
    frac: Mapping[TissueClass, npt.NDArray[np.float32]] = field(default_factory=dict)
    image: npt.NDArray[np.float32] | None = None
