"""Content of the pictures: the scan, the anatomy, one approach and the bone it takes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import Approach, PlacedPhase, placed_phases
from canalwise.estimator.estimate.estimate import Estimate
from canalwise.estimator.outcome.decompressed import DecompressedLevel
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.errors import BadGeometry
from canalwise.recon.grid import Grid
from canalwise.recon.scan import Scan


@dataclass(frozen=True, eq=False)
class PlannedRemoval:
    """The share of each voxel that is taken, for both removals.

    Parameters
    ----------
    grid : of both arrays
    cone_frac, task_frac : (nx, ny, nz) arrays, 0..1, before the occupancy is counted: of the whole sweep, and of the
        bone to remove
    """

    grid: Grid
    cone_frac: npt.NDArray[np.float32]
    task_frac: npt.NDArray[np.float32]

    def __post_init__(self) -> None:
        for who in ("cone_frac", "task_frac"):
            if getattr(self, who).shape != self.grid.shape:
                raise BadGeometry(
                    f"{who!r}", f"must have the grid's shape {self.grid.shape}", got=getattr(self, who).shape
                )


def planned_removal(found: Estimate, resected: DecompressedLevel | None) -> PlannedRemoval:
    """What an estimate's pictures show as bone to remove: the resection, or the task where there is none."""
    least = found.task.removal if resected is None else resected.resection.removal
    return PlannedRemoval(found.cone.removal.level_bone.grid, found.cone.removal.taken_frac, least.taken_frac)


@dataclass(frozen=True, eq=False)
class PlannedCase:
    """A scan, its anatomy, a level of it and an approach to that level with the bone it takes."""

    scan: Scan
    anatomy: Anatomy
    level: Level
    approach: Approach
    taken: PlannedRemoval

    @property
    def phases(self) -> tuple[PlacedPhase, ...]:
        """The approach's phases placed in the patient."""
        return placed_phases(self.approach, self.level.frame)
