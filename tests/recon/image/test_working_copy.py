"""What is found on a coarser copy comes back to the scan's own voxels."""

import numpy as np
import pytest
from scipy import ndimage

from canalwise.recon.grid import Grid
from canalwise.recon.image.morphology import dilated, eroded, grown_into, linear_on, nearest_on
from canalwise.recon.image.working_copy import WORK_MM, refined_numbers, working_copy
from canalwise.recon.scan import Scan


def grid(shape: tuple[int, int, int], step_mm: float) -> Grid:
    affine = np.diag([step_mm, step_mm, step_mm, 1.0])
    affine[:3, 3] = step_mm / 2
    return Grid(shape, affine)


def test_growing_and_shrinking_are_those_of_the_face_neighbourhood(rng: np.random.Generator) -> None:
    mask = rng.random((9, 11, 13)) < 0.3
    assert (dilated(mask, 2) == ndimage.binary_dilation(mask, iterations=2)).all()
    assert (eroded(~mask, 2) == ndimage.binary_erosion(~mask, iterations=2, border_value=1)).all()


def test_values_spread_within_their_room_only() -> None:
    values = np.zeros((5, 5, 5), dtype=np.uint8)
    values[2, 2, 2] = 3
    room = np.zeros_like(values, dtype=bool)
    room[2, 2] = True
    grown = grown_into(values, room, 1)
    assert (grown > 0).sum() == 3
    assert (grown_into(values, room, 9)[room] == 3).all()


def test_a_linear_field_is_carried_over_exactly() -> None:
    coarse, fine = grid((8, 9, 10), 2.0), grid((12, 14, 16), 1.0)
    height = coarse.voxel_centres_mm() @ [1.0, -2.0, 0.5]
    expected = fine.voxel_centres_mm() @ [1.0, -2.0, 0.5]
    found = linear_on(fine, height.astype(np.float32), coarse)
    inside = (slice(1, None),) * 3
    np.testing.assert_allclose(found[inside], expected[inside], atol=1e-4)
    near = nearest_on(fine, height.astype(np.float32), coarse)
    assert np.abs(near - expected).max() <= 0.5 * (1.0 + 2.0 + 0.5) + 1e-4


def test_the_copy_keeps_means_and_place(rng: np.random.Generator) -> None:
    fine = grid((60, 60, 60), 0.5)
    ramp = (fine.voxel_centres_mm() @ [3.0, 2.0, -4.0]).astype(np.float32)
    copy = working_copy(Scan(ramp, fine, "CT"))
    assert copy.grid.spacing_mm == pytest.approx([WORK_MM] * 3)
    inside = (slice(2, -2),) * 3
    expected = copy.grid.voxel_centres_mm() @ [3.0, 2.0, -4.0]
    np.testing.assert_allclose(copy.voxels[inside], expected[inside], atol=1e-2)


def test_a_scan_of_about_a_millimetre_is_its_own_copy() -> None:
    scan = Scan(np.zeros((10, 10, 10), np.int16), grid((10, 10, 10), 0.9), "CT")
    assert working_copy(scan) is scan


def test_the_border_between_two_bones_is_the_fine_gap() -> None:
    """Two blocks a fine voxel apart; on the coarse grid the border lies a whole coarse voxel off on one side."""
    fine, coarse = grid((40, 24, 24), 0.5), grid((20, 12, 12), 1.0)
    truth = np.zeros(fine.shape, dtype=np.uint8)
    truth[4:20, 4:20, 4:20], truth[21:36, 4:20, 4:20] = 1, 2
    number = np.zeros(coarse.shape, dtype=np.uint8)
    number[2:10, 2:10, 2:10], number[10:18, 2:10, 2:10] = 1, 2
    number[10, 2:10, 2:10] = 1  # the copy gives a layer of the second to the first
    assert (refined_numbers(number, coarse, truth > 0, fine) == truth).all()
