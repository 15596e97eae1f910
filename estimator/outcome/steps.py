"""A resection as the steps of an operation: what each takes of the bone, and what area it gains.

Every voxel that is taken belongs to one step, so bone and area of the steps sum to the whole: bone by the structure
it belongs to and its side, the tissue of the set by where it lies. Area gained is the mean over the stations.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.estimator.decompression.decompression_set import OVERHANG
from canalwise.estimator.decompression.room_needed import CENTRAL
from canalwise.estimator.decompression.stations import STATION_MM
from canalwise.estimator.resection.resection_level import Resection
from canalwise.recon.grid import Float
from canalwise.recon.labels import Part

STEP_NAMES = ("near laminotomy", "spinous base", "far undercutting", "ligament", "roots")
"""In the order of the operation."""

NEAR, BASE, FAR, SOFT, ROOTS = range(len(STEP_NAMES))


@dataclass(frozen=True)
class Step:
    """One step: bone it takes, and the area it gains as a mean over the stations."""

    name: str
    bone_mm3: float
    area_gained_mm2: float


def steps_of(resection: Resection) -> tuple[Step, ...]:
    """The steps of a resection; a step that takes nothing is listed with zeros."""
    of_bone, of_tissue = step_of_each(resection)
    bone = np.bincount(of_bone, weights=resection.removal.taken_mm3, minlength=len(STEP_NAMES))
    area = np.bincount(of_tissue, weights=area_of_each_mm2(resection), minlength=len(STEP_NAMES))
    return tuple(Step(name, float(b), float(a)) for name, b, a in zip(STEP_NAMES, bone, area, strict=True))


def step_of_each(resection: Resection) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """In which step each voxel of the removal goes, and each of the decompression set.

    Returns
    -------
    of_bone : (n,) array, place in STEP_NAMES of each of the removal's voxels
    of_tissue : (N,) array, the same of the set's
    """
    removal, wanted = resection.removal, resection.at.wanted
    of_bone = _step_of_bone(resection, removal.labels % 100, removed_level_mm(resection)[:, 0])
    at_roots = np.isin(removal.voxels, wanted.voxels[(wanted.zone != CENTRAL) & (wanted.kind == OVERHANG)])
    overhang = _step_of_bone(resection, wanted.labels % 100, wanted.level_mm[:, 0])
    of_tissue = np.where(wanted.zone != CENTRAL, ROOTS, np.where(wanted.kind == OVERHANG, overhang, SOFT))
    return np.where(at_roots, ROOTS, of_bone), of_tissue


def removed_level_mm(resection: Resection) -> Float:
    """(n, 3) array: where the removal's voxels lie, level frame."""
    grid = resection.removal.level_bone.grid
    index = np.stack(np.unravel_index(resection.removal.voxels, grid.shape), axis=-1)
    return resection.at.level.frame.to_level_mm(grid.world_mm(index))


def area_of_each_mm2(resection: Resection) -> Float:
    """(N,) array: area that each voxel of the set gains, as a mean over the stations."""
    wanted = resection.at.wanted
    return np.asarray(wanted.mm3 * resection.taken_frac / (len(wanted.room.stations.z_mm) * STATION_MM))


def _step_of_bone(resection: Resection, parts: np.ndarray, x_mm: Float) -> npt.NDArray[np.intp]:
    """(N,) array: in which step bone of some parts at level x goes."""
    near = (x_mm >= 0) == (resection.approach.side == "left")
    midline = np.isin(parts, (Part.SPINOUS_BASE, Part.SPINOUS_PROCESS))
    return np.where(midline, BASE, np.where(near, NEAR, FAR))
