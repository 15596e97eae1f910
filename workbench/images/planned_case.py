"""Content of the pictures: the scan, the anatomy, one approach and the bone it takes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import Approach, PlacedPhase, placed_phases
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
    cone_frac, task_frac : (nx, ny, nz) arrays, 0..1, before the occupancy is counted
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
