"""An audit as maps: the scan after, brought onto the voxels before, and the bone taken and planned to be taken."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from canalwise.recon.grid import Grid
from canalwise.recon.image.volume import Voxels
from canalwise.recon.registration.blend import blended
from canalwise.workbench.images.planes import sampled
from canalwise.workbench.style.palette import OUTSIDE_HU

if TYPE_CHECKING:  # what makes an audit loads registration, which a server that only finds maps has no need of
    from canalwise.estimator.audit.audit import Audit

ABOUT_MM = 56.0
"""The maps reach this far from the level's origin, along each axis of the level: what slices of it show."""

WHOLE = 255
"""A voxel that is bone and is taken as a whole."""

AFTER, TAKEN, PLANNED = "after", "taken", "planned"

Map = tuple[Voxels, Grid]


def audit_name(level: str) -> str:
    """Under which name a level's audit is kept.

    >>> audit_name("L3-L4")
    'L3-L4-audit'
    """
    return f"{level}-audit"


def map_path(case: Path, audit: str, what: str) -> Path:
    """Where a map of an audit lies in a case folder.

    >>> map_path(Path("case"), "L3-L4-audit", AFTER).as_posix()
    'case/results/L3-L4-audit-after.nii.gz'
    """
    return case / "results" / f"{audit}-{what}.nii.gz"


def audit_maps(audit: Audit) -> Mapping[str, Map]:
    """Name -> (voxels, grid): 'after' in HU on voxels of the scan before; 'taken' and, with a plan, 'planned' as bone
    in 255ths of a voxel. The scan after follows both vertebrae, as the audit registered them.
    """
    share, bone_grid = bone_share(audit), audit.taken.region.grid
    maps = {AFTER: _after(audit), TAKEN: (_bytes(audit.taken.region.share * share), bone_grid)}
    if audit.planned is not None:
        maps[PLANNED] = (_bytes(audit.planned.taken_frac * share), bone_grid)
    return maps


def bone_share(audit: Audit) -> npt.NDArray[np.float32]:
    """(nx, ny, nz) array on the grid of the bone taken: how much of each voxel is bone."""
    level_bone = audit.taken.removal.level_bone
    return np.asarray(level_bone.bone_mm3 / np.float32(level_bone.grid.voxel_mm3))


def _after(audit: Audit) -> Map:
    """The scan after about the level, one plane of voxels at a time."""
    pair = audit.pair
    corners = np.stack(np.meshgrid(*[(-ABOUT_MM, ABOUT_MM)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    grid = pair.before.grid.cropped(pair.before.grid.box_around(pair.level.frame.to_world_mm(corners)))
    blend = blended(pair.anatomy.labels, pair.anatomy.grid, pair.motions)
    plane = np.moveaxis(np.indices((*grid.shape[:2], 1)), 0, -1).reshape(-1, 3)
    out = np.empty(grid.shape, dtype=np.int16)
    for k in range(grid.shape[2]):
        there_mm = blend.moved_mm(grid.world_mm(plane + np.array([0, 0, k])))
        values = sampled(pair.after.voxels, pair.after.grid, there_mm, OUTSIDE_HU)
        out[:, :, k] = np.rint(values).reshape(grid.shape[:2])
    return out, grid


def _bytes(share: npt.NDArray[np.float32]) -> npt.NDArray[np.uint8]:
    return np.rint(WHOLE * np.clip(share, 0.0, 1.0)).astype(np.uint8)
