"""The codes that shapes are painted with for `scripts/train_prior.py`, and the network's class of each."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.recon.labels import Labels, Part, Tissue, label_of

Codes = npt.NDArray[np.uint8]

MAP_MM = 0.6
"""Voxel edge of the shapes' code maps."""

(
    AIR,
    SOFT,
    CANAL,
    SAC,
    FLAVUM,
    CALCIFIED,
    ROOT,
    DISC,
    BODY,
    PEDICLE,
    PARS,
    LAMINA,
    SPINOUS,
    SUPERIOR,
    INFERIOR,
    TRANSVERSE,
    SACRUM,
    RIB,
    ILIUM,
    KIDNEY,
    VESSEL,
    GAS,
    GUT,
    MUSCLE,
    FAT,
    REMNANT,
    TABLE,
) = range(27)
CLASS_OF = (0, 0, 1, 12, 13, 1, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 14, 15, 16, 16, 0, 16, 0, 0, 11, 0)
"""Network class of each painted code: `recon.segmentation.tissue_classes.TissueClass`."""

CLASSES = 17

SPINE_BONE = tuple(range(BODY, SACRUM + 1))
ALL_BONE = (*SPINE_BONE, RIB, ILIUM)


def codes_of(labels: Labels) -> Codes:
    """(nx, ny, nz) uint8 array of painting codes of a map of `recon.labels`."""
    table = np.full(65536, SOFT, dtype=np.uint8)
    table[Tissue.OUTSIDE] = AIR
    for tissue in (Tissue.CANAL, Tissue.SAC, Tissue.FLAVUM, Tissue.CALCIFIED, Tissue.ROOT):
        table[tissue] = CANAL + tissue - 1
    kinds = {
        Part.BODY: BODY,
        Part.PEDICLE_LEFT: PEDICLE,
        Part.PARS_LEFT: PARS,
        Part.LAMINA_LEFT: LAMINA,
        Part.SPINOUS_PROCESS: SPINOUS,
        Part.SPINOUS_BASE: SPINOUS,
        Part.SUPERIOR_ARTICULAR_LEFT: SUPERIOR,
        Part.INFERIOR_ARTICULAR_LEFT: INFERIOR,
        Part.TRANSVERSE_LEFT: TRANSVERSE,
        Part.DISC: DISC,
    }
    for vertebra in ("T12", "L1", "L2", "L3", "L4", "L5", "L6", "S1"):
        for part, code in kinds.items():
            twins = (part, Part(part + 1)) if part.name.endswith("LEFT") else (part,)
            for twin in twins:
                bony = vertebra == "S1" and code not in (SUPERIOR, DISC)
                table[label_of(vertebra, twin)] = SACRUM if bony else code
    return table[labels]
