"""Every voxel near the spine in canal coordinates: where bodies, discs, pedicles and arches are looked for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.recon.grid import Box, Grid

Float32 = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class SpineField:
    """Voxels of a box about the canal, in mm.

    Parameters
    ----------
    box : in the scan
    grid : of the box
    left_mm : (nx, ny, nz) array, left of the canal's centreline
    back_mm : (nx, ny, nz) array, dorsal of the canal's ventral border (the posterior wall of the bodies)
    along_mm : (nx, ny, nz) array, along the canal from its caudal end
    beside_mm : (nx, ny, nz) array, lateral of the canal's own half-width, negative medially
    behind_mm : (nx, ny, nz) array, dorsal of the canal's dorsal border
    """

    box: Box
    grid: Grid
    left_mm: Float32
    back_mm: Float32
    along_mm: Float32
    beside_mm: Float32
    behind_mm: Float32
