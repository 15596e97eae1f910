"""Calcium in the canal of a made-up vertebra: a bright sheet at the roof, none elsewhere."""

import numpy as np
import pytest
from scipy import ndimage

from canalwise.recon.canal.calcification import with_calcified
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Labels, Part, Tissue, label_of
from canalwise.recon.scan import Scan

GRID = Grid((60, 60, 40), np.diag([0.8, 0.8, 0.8, 1.0]))


def scene(sheet_hu: float = 500.0, sac_hu: float = 20.0, noise_hu: float = 20.0) -> tuple[Scan, Labels, np.ndarray]:
    """A round canal of 9 mm in a bony ring over half of the height, with a sheet 2 mm thick inside its roof above."""
    x, y, z = (axis * 0.8 for axis in np.indices(GRID.shape) - np.array([29.5, 29.5, 19.5])[:, None, None, None])
    radius = np.hypot(x, y)
    labels = np.full(GRID.shape, Tissue.SOFT, dtype=np.uint16)
    labels[(radius < 15) & (z < 0)] = label_of("L3", Part.LAMINA_LEFT)
    labels[radius < 9] = Tissue.CANAL
    hu = np.where(labels >= 100, 800.0, 50.0)
    hu[radius < 9] = sac_hu
    sheet = (radius < 8.5) & (radius > 6.5) & (y > 3) & (z > 3) & (z < 12)
    hu[sheet] = sheet_hu
    hu = ndimage.gaussian_filter(hu, 0.5) + np.random.default_rng(6).normal(0, noise_hu, GRID.shape)
    return Scan(np.rint(hu).astype(np.int16), GRID, "CT"), labels, sheet


@pytest.mark.parametrize("noise_hu", [0.0, 30.0, 60.0])
def test_a_bright_sheet_is_calcified_and_nothing_else_is(noise_hu: float) -> None:
    scan, labels, sheet = scene(noise_hu=noise_hu)
    found = with_calcified(labels, scan) == Tissue.CALCIFIED
    assert (found & sheet).sum() > 0.7 * sheet.sum()
    assert (found & ~ndimage.binary_dilation(sheet)).sum() <= 0.02 * sheet.sum()
    assert not found[labels >= 100].any()


@pytest.mark.parametrize("noise_hu", [0.0, 60.0])
def test_the_walls_blur_and_noise_are_not(noise_hu: float) -> None:
    scan, labels, _ = scene(sheet_hu=60.0, noise_hu=noise_hu)
    assert not (with_calcified(labels, scan) == Tissue.CALCIFIED).any()


def test_contrast_medium_in_the_sac_is_not() -> None:
    scan, labels, _ = scene(sheet_hu=350.0, sac_hu=350.0)
    assert not (with_calcified(labels, scan) == Tissue.CALCIFIED).any()


def test_a_bone_without_a_name_that_juts_in_is_not() -> None:
    scan, labels, _ = scene(sheet_hu=60.0)
    x, y, z = (axis * 0.8 for axis in np.indices(GRID.shape) - np.array([29.5, 29.5, 19.5])[:, None, None, None])
    spur = (np.hypot(x, z - 8) < 4) & (y > 7) & (y < 20)
    bony = Scan(np.where(spur, np.int16(700), scan.voxels), GRID, "CT")
    assert not (with_calcified(labels, bony) == Tissue.CALCIFIED).any()


def test_given_calcium_stays_alone() -> None:
    scan, labels, _ = scene()
    labels[20, 20, 5] = Tissue.CALCIFIED
    assert with_calcified(labels, scan) is labels
