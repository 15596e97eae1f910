"""Bone as occupancy: volumes against closed forms, and what is refused."""

import numpy as np
import pytest
from scipy import ndimage, special

from canalwise.recon.bone.occupancy import bone_model, occupancy_of, occupancy_within
from canalwise.recon.bone.partial_volume import edge_level_frac
from canalwise.recon.bone.solid_mask import solid
from canalwise.recon.errors import UnusableInput
from canalwise.recon.grid import Grid, isotropic_grid
from canalwise.recon.scan import Scan

SOFT_HU, TRABECULAR_HU, CORTICAL_HU = 50.0, 90.0, 900.0


def shell_scan(spacing_mm: float, wall_mm: float, noise_hu: float = 0.0, fine: int = 4) -> tuple[Scan, float]:
    """A CT of an ellipsoid of old bone (18, 15, 13 mm) with a cortex, and its volume."""
    grid = isotropic_grid([-23.3] * 3, [23.1] * 3, spacing_mm)
    half = np.array([18.0, 15.0, 13.0])
    axes = [
        np.arange(-0.5 + 0.5 / fine, n - 0.5, 1 / fine) * spacing_mm + o
        for n, o in zip(grid.shape, grid.affine_ras_mm[:3, 3], strict=True)
    ]
    x, y, z = np.meshgrid(*axes, indexing="ij", sparse=True)
    outer = (x / half[0]) ** 2 + (y / half[1]) ** 2 + (z / half[2]) ** 2 <= 1
    inner = (x / (half[0] - wall_mm)) ** 2 + (y / (half[1] - wall_mm)) ** 2 + (z / (half[2] - wall_mm)) ** 2 <= 1
    hu = np.where(inner, TRABECULAR_HU, np.where(outer, CORTICAL_HU, SOFT_HU)).astype(np.float32)
    n, m, k = grid.shape
    hu = hu.reshape(n, fine, m, fine, k, fine).mean(axis=(1, 3, 5))
    hu += np.random.default_rng(7).normal(0, noise_hu, hu.shape)
    return Scan(np.rint(hu).astype(np.int16), grid, "CT"), float(4 / 3 * np.pi * np.prod(half))


@pytest.mark.parametrize(
    ("spacing_mm", "wall_mm", "noise_hu", "within_frac"),
    [
        (0.5, 1.0, 0.0, 0.01),
        (0.5, 0.7, 20.0, 0.01),
        (1.0, 1.4, 20.0, 0.03),
        (1.0, 1.0, 0.0, 0.03),
        (0.5, 1.0, 60.0, 0.01),
        (1.0, 1.4, 60.0, 0.03),
    ],
)
def test_occupancy_integral_is_the_volume(
    spacing_mm: float, wall_mm: float, noise_hu: float, within_frac: float
) -> None:
    scan, truth_mm3 = shell_scan(spacing_mm, wall_mm, noise_hu)
    occupancy, _ = occupancy_of(scan)
    assert occupancy.sum(dtype=float) * scan.grid.voxel_mm3 == pytest.approx(truth_mm3, rel=within_frac)


@pytest.mark.parametrize("spacing_mm", [0.6, 1.0])
def test_noise_moves_no_border(spacing_mm: float) -> None:
    # with the solid mask given, only the reading of the border is left: its volume must not follow the noise
    scan, truth_mm3 = shell_scan(spacing_mm, 1.4)
    mask = np.linalg.norm(scan.grid.voxel_centres_mm() / [18.0, 15.0, 13.0], axis=-1) <= 1
    still = occupancy_within(mask, scan).sum(dtype=float)
    assert still * scan.grid.voxel_mm3 == pytest.approx(truth_mm3, rel=0.015)
    for noise_hu in (20.0, 60.0):
        noisy, _ = shell_scan(spacing_mm, 1.4, noise_hu)
        occupancy = occupancy_within(mask, noisy)
        assert occupancy.sum(dtype=float) == pytest.approx(still, rel=0.005)
        # and the noisy border still tells more than whole voxels do
        clean = occupancy_within(mask, scan)
        assert np.abs(occupancy - clean).mean() < 0.5 * np.abs(mask - clean).mean()


def test_occupancy_comes_in_steps_and_is_solid_inside() -> None:
    scan, _ = shell_scan(1.0, 1.0)
    occupancy, model = occupancy_of(scan)
    steps = occupancy * 255
    assert np.abs(steps - np.rint(steps)).max() < 1e-4
    middle = tuple(n // 2 for n in scan.grid.shape)
    assert scan.voxels[middle] < model.threshold_hu
    assert occupancy[middle] == 1.0


def test_edge_level_agrees_with_a_blurred_sheet() -> None:
    # Sheet of thickness t, blur s = 1: crest erf(t / (2 sqrt 2)), edge (Phi(t) - Phi(0)); both by the error function.
    thickness = np.array([0.3, 1.0, 2.0, 5.0])
    crest = special.erf(thickness / (2 * np.sqrt(2)))
    edge = special.ndtr(thickness) - 0.5
    np.testing.assert_allclose(edge_level_frac(crest), 2 * edge, atol=1e-4)


def test_solid_leaves_a_joint_gap_open() -> None:
    grid = Grid((40, 40, 40), np.eye(4))
    wall = np.zeros(grid.shape, dtype=bool)
    wall[5:19, 8:32, 8:32] = True
    wall[21:35, 8:32, 8:32] = True
    wall[7:17, 10:30, 10:30] = wall[23:33, 10:30, 10:30] = False
    filled = solid(wall, grid)
    assert filled[12, 20, 20]
    assert filled[28, 20, 20]
    assert not filled[19:21].any()


def test_solid_keeps_what_must_stay_open() -> None:
    grid = Grid((20, 20, 20), np.eye(4))
    wall = np.ones(grid.shape, dtype=bool)
    wall[5:15, 5:15, 5:15] = False
    canal = np.zeros(grid.shape, dtype=bool)
    canal[8:12, 8:12, 8:12] = True
    assert not solid(wall, grid, canal)[canal].any()


def test_mr_is_refused_and_a_mask_without_ct_is_returned() -> None:
    scan, _ = shell_scan(2.0, 2.0)
    mr = Scan(scan.voxels, scan.grid, "MR")
    with pytest.raises(UnusableInput, match="must be a CT"):
        bone_model(mr)
    mask = ndimage.binary_dilation(scan.voxels > 400)
    assert np.array_equal(occupancy_within(mask, mr), mask.astype(np.float32))


def test_a_scan_without_bone_is_refused() -> None:
    noise = np.random.default_rng(1).normal(40, 10, (30, 30, 30)).astype(np.int16)
    with pytest.raises(UnusableInput, match="shows no bone"):
        occupancy_of(Scan(noise, Grid((30, 30, 30), np.eye(4)), "CT"))
