"""Metal and what its streaks reach."""

import numpy as np
import pytest

from canalwise.recon.grid import Grid
from canalwise.recon.image.implants import BONE_LIKE_HU, STREAK_MM, metal_of, metal_warning, tamed
from canalwise.recon.labels import Part, label_of
from canalwise.recon.scan import Scan

GRID = Grid((60, 90, 20), np.diag([1.0, 1.0, 2.0, 1.0]))


def with_rod(value_hu: int = 3071) -> Scan:
    """Muscle with noise, a block of bone, and a rod of 4 x 4 mm along z through slices 6 to 13 with a blurred rim."""
    hu = np.random.default_rng(4).normal(50, 20, GRID.shape).round().astype(np.int16)
    hu[20:40, 20:40] = 900
    hu[28:34, 28:34, 6:14] = 2000
    hu[29:33, 29:33, 6:14] = value_hu
    return Scan(hu, GRID, "CT")


def test_metal_with_its_rim_is_found_and_dense_bone_is_not() -> None:
    metal = metal_of(with_rod())
    assert metal is not None
    assert metal.mask.sum() == 6 * 6 * 8
    assert metal_of(with_rod(2200)) is None
    speck = with_rod(900)
    speck.voxels[10, 10, 10] = 3071
    assert metal_of(speck) is None


def test_streaks_are_looked_for_near_metal_in_its_own_slices() -> None:
    metal = metal_of(with_rod())
    assert metal is not None
    assert not metal.streaked[:, :, [5, 14]].any()
    reach = np.flatnonzero(metal.streaked[30, :, 8])
    assert reach.min() == 0
    assert reach.max() == 33 + round(STREAK_MM)


@pytest.mark.parametrize("streak_hu", [-600, 1900])
def test_taming_draws_metal_in_to_bone_and_evens_streaks(streak_hu: int) -> None:
    scan = with_rod()
    scan.voxels[:, 50, 10] = streak_hu
    metal = metal_of(scan)
    assert metal is not None
    found = tamed(scan, metal).voxels
    assert (found[metal.mask] == BONE_LIKE_HU).all()
    near = metal.streaked[:, 50, 10]
    assert np.abs(found[near, 50, 10].astype(float) - 50).max() < 80
    assert np.array_equal(found[~metal.streaked], scan.voxels[~metal.streaked])


def test_warning_names_the_levels_that_streaks_reach() -> None:
    metal = metal_of(with_rod())
    assert metal is not None
    labels = np.zeros(GRID.shape, dtype=np.uint16)
    labels[20:40, 20:40, :5], labels[20:40, 20:40, 7:] = label_of("L3", Part.BODY), label_of("L4", Part.BODY)
    said = metal_warning(metal, labels, GRID, {"L2-L3": ("L2", "L3"), "L3-L4": ("L3", "L4"), "L4-L5": ("L4", "L5")})
    assert "L3-L4, L4-L5" in said
    assert "L2-L3" not in said
