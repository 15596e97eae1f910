"""Vertebrae as separate instances, in order: on the scan's voxels, and on the network's grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.recon.canal.tube import CanalTube
from canalwise.recon.grid import Box, Grid
from canalwise.recon.labels import Part
from canalwise.recon.spine.axial_profile import SpineProfile
from canalwise.recon.spine.canal_coordinates import SpineField

LEAST_BODY_MM3 = 1500.0
"""A vertebra is named when at least this much of its body is in view (about 1.5 mm of its height)."""


@dataclass(frozen=True, eq=False)
class VertebraInstances:
    """Vertebrae found in a CT; arrays are those of `box` in the scan.

    Parameters
    ----------
    box : of the scan
    number : (nx, ny, nz) uint8 array: 1.. the n-th vertebra from the caudal end, 0 no spine
    part : (nx, ny, nz) uint8 array of `recon.labels.Part` where there is a number; UNDIVIDED where not yet known
    disc : (nx, ny, nz) uint8 array: n the disc above the n-th vertebra
    occupancy : (nx, ny, nz) float32 array of the spine's bone
    grid : of the box
    along_mm : (nx, ny, nz) float32 array, height along the canal, as the profile's
    profile, tube : what they were found with; the tube is that of the final bone
    """

    box: Box
    number: npt.NDArray[np.uint8]
    part: npt.NDArray[np.uint8]
    disc: npt.NDArray[np.uint8]
    occupancy: npt.NDArray[np.float32]
    grid: Grid
    along_mm: npt.NDArray[np.float32]
    profile: SpineProfile
    tube: CanalTube

    def bodies_mm3(self) -> dict[int, float]:
        """Number -> body in view, for the vertebrae with enough of it, caudal to cranial."""
        body = self.number[self.part == Part.BODY]
        volumes = np.bincount(body, minlength=self.profile.count + 1) * self.grid.voxel_mm3
        return {n: float(v) for n, v in enumerate(volumes) if n and v >= LEAST_BODY_MM3}


@dataclass(frozen=True, eq=False)
class NetworkSpine:
    """Vertebrae on the network's grid; arrays are those of `field.box`.

    Parameters
    ----------
    field, profile, tube : canal coordinates, heights of pedicles and discs, and the canal
    number : (nx, ny, nz) uint8 array: 1.. the n-th vertebra from the caudal end
    part : (nx, ny, nz) uint8 array of `Part` where there is a number
    disc : (nx, ny, nz) uint8 array: n the disc above the n-th vertebra
    """

    field: SpineField
    profile: SpineProfile
    tube: CanalTube
    number: npt.NDArray[np.uint8]
    part: npt.NDArray[np.uint8]
    disc: npt.NDArray[np.uint8]
