"""A scan that has passed the door: voxels, where they lie, and where they came from."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from recon.errors import BadGeometry, UnusableInput
from recon.grid import Grid

Modality = Literal["CT", "MR"]


@dataclass(frozen=True, eq=False)
class Scan:
    """Voxels on a grid whose array axes run nearest to R+, A+, S+.

    Parameters
    ----------
    voxels : (nx, ny, nz) array of int16 or float32; HU when `modality` is CT
    grid : of the same shape
    modality : 'CT' or 'MR'
    provenance : what the door learnt and may tell: format, slice count, spacings,
        rescale, resampling. Never a name, date, UID or path of the source.
    warnings : sentences for people
    """

    voxels: npt.NDArray[np.int16] | npt.NDArray[np.float32]
    grid: Grid
    modality: Modality
    provenance: dict[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.voxels.shape != self.grid.shape:
            raise BadGeometry("scan", f"voxels must have the grid's shape {self.grid.shape}", got=self.voxels.shape)
        if self.voxels.dtype.kind == "f" and not np.isfinite(self.voxels).all():
            bad = int((~np.isfinite(self.voxels)).sum())
            raise UnusableInput("scan", "voxels must all be finite", got=f"{bad} not-a-number or infinite voxels",
                                do="Export the scan again, or fill the missing voxels with air.")
