"""Shares of bone lost are found behind the blur, which divided averages do not see through."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from canalwise.estimator.audit.deblurring import (
    PSF_RANGE_MM,
    USUAL_PSF_MM,
    point_spread_mm,
    shares_lost,
    sharpened,
)
from canalwise.recon.grid import Grid
from canalwise.recon.scan import Scan

SHAPE, SPACING_MM = (30, 30, 40), 0.8
PSF, AVERAGE = 0.5, 1.0
"""Voxels."""

SLAB = slice(10, 24)


def slab(cortex_hu: float = 900.0, marrow_hu: float = 100.0) -> np.ndarray:
    """A plate of marrow between two cortices of two voxels."""
    hu = np.zeros(SHAPE, np.float32)
    hu[:, :, SLAB] = marrow_hu
    hu[:, :, 10:12] = hu[:, :, 22:24] = cortex_hu
    return hu


def lost_of(taken: slice) -> tuple[np.ndarray, np.ndarray]:
    """(shares by divided averages, shares freed from the blur) of the slab's voxels when some layers are taken."""
    share = np.zeros(SHAPE, np.float32)
    share[:, :, taken] = 1
    seen = ndimage.gaussian_filter(ndimage.gaussian_filter(slab() * share, PSF), AVERAGE)
    before = ndimage.gaussian_filter(slab(), PSF)
    bone = slab() > 0
    divided = np.where(bone, np.clip(seen / np.maximum(ndimage.gaussian_filter(before, AVERAGE), 1), 0, 1), 0)
    held = sharpened(before, PSF)
    found = shares_lost(
        (seen, np.full(SHAPE, 4.0, np.float32)),
        held,
        divided,
        before > 1,
        SPACING_MM * np.hypot(PSF, AVERAGE),
        SPACING_MM,
    )
    return divided, np.where(bone, found, 0)


@pytest.mark.parametrize("taken", [slice(10, 12), slice(12, 22)], ids=["cortex alone", "marrow alone"])
def test_marrow_does_not_inherit_the_loss_of_cortex_nor_cortex_that_of_marrow(taken):
    true = (taken.stop - taken.start) * SHAPE[0] * SHAPE[1]
    divided, found = (abs(share.sum() / true - 1) for share in lost_of(taken))
    assert divided > 0.2
    assert found < min(0.15, divided / 3)


def test_a_cut_through_marrow_lies_where_it_was_made():
    for taken in (slice(10, 16), slice(14, 24)):
        true = (taken.stop - taken.start) * SHAPE[0] * SHAPE[1]
        assert lost_of(taken)[1].sum() == pytest.approx(true, rel=0.03)


@pytest.mark.parametrize("sigma_mm", [0.4, 0.55])
def test_the_point_spread_is_read_from_the_skin(sigma_mm):
    # a slanting skin meets the voxels everywhere between their borders
    i, j, _ = np.indices(SHAPE)
    fine = np.clip(0.5 + (j - 14.3 - 0.37 * (i - 15)) / 1.0662, 0, 1)
    hu = -1000.0 + 1030.0 * ndimage.gaussian_filter(fine.astype(np.float32), sigma_mm / SPACING_MM)
    noisy = hu + np.random.default_rng(1).normal(0, 15.0, SHAPE)
    scan = Scan(np.rint(noisy).astype(np.int16), Grid(SHAPE, np.diag([SPACING_MM] * 3 + [1.0])), "CT")
    assert point_spread_mm(scan, slice(0, 40)) == pytest.approx(sigma_mm, abs=0.08)


def test_a_scan_without_skin_has_the_usual_point_spread():
    inner = Scan(np.zeros((12, 12, 12), np.int16), Grid((12, 12, 12), np.eye(4)), "CT")
    assert point_spread_mm(inner, slice(2, 10)) == USUAL_PSF_MM
    assert PSF_RANGE_MM[0] < USUAL_PSF_MM < PSF_RANGE_MM[1]
