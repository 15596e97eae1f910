"""Padding outside the reconstruction circle becomes air; water and air inside stay what they are."""

import numpy as np
import pytest

from canalwise.recon.grid import Grid
from canalwise.recon.image.reconstruction_circle import unpadded
from canalwise.recon.scan import Scan


def slices(padding_hu: int) -> tuple[Scan, np.ndarray]:
    """Noisy muscle with a cyst of water in a circle, and what lies outside the circle."""
    grid = Grid((60, 60, 3), np.eye(4))
    i, j = np.indices((60, 60)) - 29.5
    outside = np.repeat((np.hypot(i, j) > 29.5)[:, :, None], 3, axis=2)
    hu = np.random.default_rng(2).normal(50, 15, grid.shape).round().astype(np.int16)
    hu[25:30, 25:30] = 0
    hu[outside] = padding_hu
    return Scan(hu, grid, "CT"), outside


@pytest.mark.parametrize("padding_hu", [-3024, -2000, -1024, 0])
def test_padding_is_air_and_nothing_else_changes(padding_hu: int) -> None:
    scan, outside = slices(padding_hu)
    found = unpadded(scan).voxels
    assert (found[outside] == -1024).all()
    assert np.array_equal(found[~outside], scan.voxels[~outside])


def test_nothing_is_done_without_padding_or_to_an_mr() -> None:
    scan, outside = slices(0)
    filled = Scan(np.where(outside, np.int16(55), scan.voxels), scan.grid, "CT")
    assert unpadded(filled) is filled
    mr = Scan(scan.voxels, scan.grid, "MR")
    assert unpadded(mr) is mr


def test_a_whole_slice_of_zeros_is_not_padding() -> None:
    blank = Scan(np.zeros((20, 20, 2), dtype=np.int16), Grid((20, 20, 2), np.eye(4)), "CT")
    assert (unpadded(blank).voxels == 0).all()
