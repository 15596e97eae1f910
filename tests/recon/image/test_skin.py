"""The skin of a slab of tissue whose surface is known."""

import numpy as np
import pytest

from canalwise.recon.grid import Grid
from canalwise.recon.image.skin import air_in_view, dorsal_skin_mm, skin_point_mm, skin_points_mm, with_soft_tissue
from canalwise.recon.labels import Tissue
from canalwise.recon.scan import Scan

GRID = Grid((20, 60, 20), np.diag([1.0, 1.0, 1.0, 1.0]))


def slab() -> np.ndarray:
    """Tissue from y = 14.5 mm up (the back is at low y, as posterior is in RAS)."""
    labels = np.full(GRID.shape, Tissue.SOFT, dtype=np.uint16)
    labels[:, :15] = Tissue.OUTSIDE
    return labels


def test_straight_and_oblique_lines_leave_at_the_surface() -> None:
    starts = np.array([[10.0, 40.0, 10.0], [10.0, 22.0, 10.0]])
    directions = np.array([[0.0, -1.0, 0.0], [1.0, -1.0, 0.0]])
    found = skin_points_mm(slab(), GRID, starts, directions)
    assert found[0] == pytest.approx([10.0, 14.5, 10.0], abs=0.05)
    assert found[1] == pytest.approx([17.5, 14.5, 10.0], abs=0.1)


def test_line_that_meets_no_air_has_no_skin() -> None:
    assert skin_point_mm(slab(), GRID, [10, 40, 10], [0, 1, 0]) is None
    assert skin_point_mm(np.full(GRID.shape, 9, dtype=np.uint16), GRID, [10, 40, 10], [0, -1, 0]) is None


def test_a_gas_bubble_is_not_the_outside() -> None:
    labels = slab()
    labels[8:13, 28:31, 8:13] = Tissue.OUTSIDE
    point = skin_point_mm(labels, GRID, [10, 40, 10], [0, -1, 0])
    assert point is not None
    assert point[1] == pytest.approx(14.5, abs=0.05)


def test_map_without_soft_tissue_says_nothing_of_skin() -> None:
    assert not air_in_view(np.zeros(GRID.shape, dtype=np.uint16))
    assert dorsal_skin_mm(np.zeros(GRID.shape, dtype=np.uint16), GRID) is None


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_dorsal_surface_on_either_axis_sign(sign: float) -> None:
    affine = np.diag([1.0, sign, 1.0, 1.0])
    affine[1, 3] = 0.0 if sign > 0 else 59.0
    labels = slab() if sign > 0 else slab()[:, ::-1]
    found = dorsal_skin_mm(labels, Grid(GRID.shape, affine))
    assert found is not None
    assert len(found) == 400
    assert found[:, 1] == pytest.approx(14.5, abs=1e-9)


def test_soft_tissue_is_filled_under_the_skin_only() -> None:
    hu = np.full(GRID.shape, -1000, dtype=np.int16)
    hu[:, 15:] = 40
    hu[8:12, 30:34, 8:12] = -1000
    labels = np.zeros(GRID.shape, dtype=np.uint16)
    labels[5, 20, 5] = 2201
    filled = with_soft_tissue(labels, Scan(hu, GRID, "CT"))
    assert (filled[:, :15] == Tissue.OUTSIDE).all()
    assert filled[9, 31, 9] == Tissue.SOFT
    assert filled[5, 20, 5] == 2201
    assert (with_soft_tissue(labels, Scan(hu, GRID, "MR")) == labels).all()
