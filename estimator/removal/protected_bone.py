"""How far any place lies from the bone that is never taken."""

from __future__ import annotations

import edt
import numpy as np

from canalwise.estimator.removal.bone_removal import PROTECTED_PARTS, LevelBone
from canalwise.recon.grid import Grid
from canalwise.recon.labels import bone_mask


def protected_field(level_bone: LevelBone) -> tuple[np.ndarray, Grid]:
    """Signed distance, mm, to the border of protected bone, negative inside it, and the grid it lies on.

    The border runs midway between voxel centres; where the crop holds no such bone all is far away.
    """
    bone = bone_mask(level_bone.labels) & np.isin(level_bone.labels % 100, PROTECTED_PARTS)
    spacing = [float(s) for s in level_bone.grid.spacing_mm]
    if not bone.any():
        return np.full(level_bone.labels.shape, 1e3, dtype=np.float32), level_bone.grid
    outside = edt.edt(~bone, anisotropy=spacing, parallel=1)
    inside = edt.edt(bone, anisotropy=spacing, parallel=1)
    half = min(spacing) / 2
    return np.where(bone, half - inside, outside - half).astype(np.float32), level_bone.grid
