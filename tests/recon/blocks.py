"""A spine of blocks about a straight round canal, with every height known: for tests of what finds vertebrae."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from canalwise.recon.canal.tube import CanalTube
from canalwise.recon.canal.wall import ANGLES, Stations
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import Mask
from canalwise.recon.spine.canal_coordinates import SpineField
from canalwise.recon.spine.spine_field import spine_field

RADIUS_MM, PERIOD_MM, COUNT = 9.0, 36.0, 3
FIRST_BODY_MM = 8.0
"""Middle of the most caudal body above the grid's lowest slice: the scan's ends cut the outer bodies."""

BODY_HALF_MM, PEDICLE_LOW_MM, PEDICLE_HIGH_MM = 13.0, 2.0, 12.0
"""Half-height of a body; its pedicles reach from and to these heights above its middle."""

SOFT_HU, MARROW_HU, CORTEX_HU, DISC_HU = 50, 120, 700, 80
STEP_MM = 1.5


@dataclass(frozen=True, eq=False)
class Blocks:
    """HU, truth numbers 1.. (bone of the n-th vertebra from the caudal end), wall and canal of the blocks."""

    grid: Grid
    hu: np.ndarray
    number: np.ndarray
    body: np.ndarray
    wall: Mask
    tube: CanalTube
    field: SpineField


def middles_mm() -> Float:
    """(COUNT,) heights of the bodies' middles along the canal."""
    return FIRST_BODY_MM + PERIOD_MM * np.arange(COUNT)


def straight_tube(grid: Grid, radius_mm: float = RADIUS_MM) -> CanalTube:
    """A round canal along the third axis of a grid at x = y = 0; stations 1 mm apart from its caudal end."""
    low, high = (float(grid.world_mm([0, 0, k])[2]) for k in (0, grid.shape[2] - 1))
    heights = np.arange(low, high + 0.5, 1.0)
    centre = np.stack([0 * heights, 0 * heights, heights], axis=-1)
    axes = np.broadcast_to(np.diag([-1.0, -1.0, 1.0]), (len(heights), 3, 3))
    shape = (len(heights), ANGLES)
    x, y, _ = np.moveaxis(grid.voxel_centres_mm(), -1, 0)
    inside = np.hypot(x, y) < radius_mm
    return CanalTube(Stations(centre, axes), np.full(shape, radius_mm), np.ones(shape, bool), inside)


@cache
def blocks() -> Blocks:
    """Three vertebrae: bodies with end plates, pedicles, laminae that roof the canal, spinous processes."""
    affine = np.diag([STEP_MM, STEP_MM, STEP_MM, 1.0])
    affine[:3, 3] = [-33.0, -45.0, 0.0]
    grid = Grid((45, 65, 61), affine)
    x, y, z = np.moveaxis(grid.voxel_centres_mm(), -1, 0)
    hu = np.full(grid.shape, SOFT_HU, np.int16)
    number = np.zeros(grid.shape, np.uint8)
    body = np.zeros(grid.shape, np.uint8)
    front = (np.abs(x) < 21) & (y > RADIUS_MM) & (y < RADIUS_MM + 32)
    hu[front] = DISC_HU
    for n, middle in enumerate(middles_mm(), start=1):
        dz = z - middle
        mine = front & (np.abs(dz) < BODY_HALF_MM)
        body[mine] = n
        pedicle = (np.abs(x) > RADIUS_MM) & (np.abs(x) < 19) & (y > -8) & (y < RADIUS_MM + 2)
        mine |= pedicle & (dz > PEDICLE_LOW_MM) & (dz < PEDICLE_HIGH_MM)
        roof = (np.hypot(x, y) >= RADIUS_MM) & (np.hypot(x, y) < RADIUS_MM + 5) & (y < 0)
        mine |= roof & (dz > -14) & (dz < 8)
        mine |= (np.abs(x) < 3.1) & (y < -RADIUS_MM) & (y > -36) & (dz > -14) & (dz < 4)
        number[mine] = n
    hu[number > 0] = MARROW_HU
    wall = (number > 0) & ~_eroded(number)
    hu[wall] = CORTEX_HU
    tube = straight_tube(grid)
    return Blocks(grid, hu, number, body, wall, tube, spine_field(grid, tube))


def _eroded(number: np.ndarray) -> Mask:
    """Voxels whose six neighbours belong to the same vertebra."""
    inside = np.ones(number.shape, bool)
    padded = np.pad(number, 1, mode="edge")  # what the scan's end cuts has no cortex there
    for axis in range(3):
        for shift in (-1, 1):
            inside &= np.roll(padded, shift, axis)[1:-1, 1:-1, 1:-1] == number
    return inside
