"""A midline laminectomy in samples that pinned plans meet too: the reference that they are compared with."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.estimator.comparison.paired_samples import PairedSamples
from canalwise.estimator.estimate.estimate import Cost, cost_of
from canalwise.estimator.interval import SD_OF_95
from canalwise.estimator.level.level_bone import LevelBone
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.removal.bone_removal import removal_of
from canalwise.estimator.removal.canal_area import CanalAreaChange, decompression_of
from canalwise.estimator.removal.midline_laminectomy import laminectomy
from canalwise.recon.grid import Float


@dataclass(frozen=True, eq=False)
class MidlineAccess:
    """A midline laminectomy: what it costs and frees, and (N,) bone in each of the shared samples."""

    cost: Cost
    freed: CanalAreaChange
    bone_mm3: Float


def midline_access(prepared: PreparedLevel, samples: PairedSamples) -> MidlineAccess:
    """A midline laminectomy, as a reference."""
    region = laminectomy(prepared.anatomy, prepared.level)
    cost = cost_of(prepared, region)
    thin: LevelBone = prepared.thinner.level_bone
    per_mm = (cost.removal.total_mm3 - removal_of(thin, region).total_mm3) / (
        SD_OF_95 * prepared.border_uncertainty.bone_mm
    )
    bone = np.maximum(cost.removal.total_mm3 - samples.border_mm * per_mm, 0.0)
    freed = decompression_of(prepared.pressing, region, cost.removal)
    return MidlineAccess(cost, freed, bone)
