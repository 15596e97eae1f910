"""Proposal of levels to operate on, by severity in the image alone; symptoms decide."""

from __future__ import annotations

from canalwise.recon.anatomy import Anatomy
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.measurement.kinds import SCALES

SAC_AREA = "dural sac area"


def narrow_levels(anatomy: Anatomy) -> tuple[str, ...]:
    """Levels whose measured dural sac falls into a band of stenosis, cranial to caudal.

    A modelled sac carries no band (docs/numbers.md), so none is proposed by it. Raises AnatomyNotFound where there is
    no such level.
    """
    bands = {limit.band for limit in SCALES[SAC_AREA].thresholds}
    found = tuple(
        level.name
        for level in anatomy.levels
        if any(m.name == SAC_AREA and m.band in bands for m in level.measurements)
    )
    if not found:
        raise AnatomyNotFound(
            "the case",
            "must show a narrow dural sac for levels to be proposed",
            do="Name them with --levels, such as --levels L3-L4,L4-L5.",
        )
    return found
