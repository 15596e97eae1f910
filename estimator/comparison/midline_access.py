"""A midline laminectomy as a way in: the reference that entries through a channel are compared with."""

from __future__ import annotations

import numpy as np

from canalwise.estimator.comparison.access_results import MIDLINE, AccessResult
from canalwise.estimator.comparison.paired_samples import PairedSamples
from canalwise.estimator.estimate.estimate import cost_of
from canalwise.estimator.interval import SD_OF_95
from canalwise.estimator.level.level_bone import LevelBone
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.removal.bone_removal import removal_of
from canalwise.estimator.removal.canal_area import decompression_of
from canalwise.estimator.removal.midline_laminectomy import laminectomy


def midline_access(prepared: PreparedLevel, samples: PairedSamples) -> AccessResult:
    """A midline laminectomy, as a reference."""
    region = laminectomy(prepared.anatomy, prepared.level)
    cost = cost_of(prepared, region)
    thin: LevelBone = prepared.thinner.level_bone
    per_mm = (cost.removal.total_mm3 - removal_of(thin, region).total_mm3) / (
        SD_OF_95 * prepared.border_uncertainty.bone_mm
    )
    bone = np.maximum(cost.removal.total_mm3 - samples.border_mm * per_mm, 0.0)
    freed = decompression_of(prepared.pressing, region, cost.removal)
    return AccessResult(MIDLINE, (), cost, freed, float("nan"), bone, None)
