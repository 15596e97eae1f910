"""Canal coordinates about a straight round tube, where each is a formula of x, y and z."""

import numpy as np
import pytest

from canalwise.recon.grid import Grid, isotropic_grid
from canalwise.recon.spine.spine_field import SIDE_MM, spine_field
from tests.recon.blocks import RADIUS_MM, blocks, straight_tube

# Mean of r cos(a) over the floor |r sin(a)| <= 0.6 r: r * 0.6 / asin(0.6), the floor being a curve.
FLOOR_MM = RADIUS_MM * 0.6 / np.arcsin(0.6)


def test_coordinates_are_those_of_the_tube() -> None:
    field = blocks().field
    x, y, z = np.moveaxis(field.grid.voxel_centres_mm(), -1, 0)
    # rays are 5 deg apart, so the floor's mean is known to a ray's share
    for found, expected, tol in (
        (field.left_mm, -x, 1e-3),
        (field.along_mm, z, 1e-3),
        (field.beside_mm, np.abs(x) - RADIUS_MM, 1e-3),
        (field.behind_mm, -y - RADIUS_MM, 1e-3),
        (field.back_mm, FLOOR_MM - y, 0.1),
    ):
        assert np.abs(found - expected).max() <= tol


def test_box_is_as_wide_as_a_spine_needs() -> None:
    grid = isotropic_grid([-90, -90, 0], [90, 90, 30], 3.0)
    field = spine_field(grid, straight_tube(grid))
    left, right = field.grid.world_mm([0, 0, 0])[0], field.grid.world_mm(np.array(field.grid.shape) - 1)[0]
    assert left <= -SIDE_MM + 3.0
    assert right >= SIDE_MM - 3.0
    assert field.grid.shape[2] == grid.shape[2]


def test_small_scan_is_kept_whole() -> None:
    affine = np.diag([2.0, 2.0, 2.0, 1.0])
    affine[:2, 3] = [-10.0, -12.0]
    grid = Grid((10, 12, 20), affine)
    field = spine_field(grid, straight_tube(grid, 6.0))
    assert field.grid.same_as(grid)
    assert field.left_mm.dtype == np.float32
    assert float(field.along_mm.max()) == pytest.approx(38.0, abs=1e-3)
