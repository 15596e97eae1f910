"""Rendering: determinism, labels by centre, unbiased partial volume, any grid, texture."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import divided, render_scan
from canalwise.phantoms.imaging.scanner import Scanner
from canalwise.phantoms.solid.pose import turn
from canalwise.phantoms.spec import SpineSpec, demo_spec
from canalwise.phantoms.truth.window import is_bone
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Grid
from canalwise.recon.labels import vertebrae_in

QUIET = {"noise_hu": 0.0, "point_spread_fwhm_mm": 0.0, "mr_noise": 0.0}


def _small_grid(spacing_mm: tuple[float, float, float] = (1.0, 1.0, 1.0), axes: np.ndarray | None = None) -> Grid:
    """24 x 24 x 12 mm about the left L3-L4 joint."""
    affine = np.eye(4)
    affine[:3, :3] = (np.eye(3) if axes is None else axes.T) * np.array(spacing_mm)
    i, j, k = (int(n) for n in np.round(np.array([24.0, 24.0, 12.0]) / spacing_mm))
    affine[:3, 3] = np.array([-14.0, -16.0, -17.0]) - affine[:3, :3] @ ((np.array([i, j, k]) - 1) / 2)
    return Grid((i, j, k), affine)


def test_same_seed_gives_the_same_bytes_and_another_seed_does_not() -> None:
    grid = _small_grid()
    one, two, other = (render_scan(demo_spec(), grid, seed=seed) for seed in (5, 5, 6))
    assert one.ct_hu.tobytes() == two.ct_hu.tobytes()
    assert one.mr.tobytes() == two.mr.tobytes()
    assert one.ct_hu.tobytes() != other.ct_hu.tobytes()


@pytest.mark.parametrize("axes", [None, turn(0, 15.0) @ turn(2, -25.0)], ids=["upright", "oblique"])
def test_labels_are_those_of_the_voxel_centres(stenotic: Spine, axes: np.ndarray | None) -> None:
    grid = _small_grid((0.8, 1.0, 1.3), axes)
    labels = render_scan(stenotic.spec, grid, **QUIET).labels
    points = grid.voxel_centres_mm().reshape(-1, 3)
    assert (labels.ravel() != stenotic.label_and_depth(points)[0]).mean() < 1e-3


def test_thick_slices_are_means_of_thin_ones() -> None:
    thick = render_scan(SpineSpec(), _small_grid((1.0, 1.0, 3.0)), **QUIET).ct_hu
    thin = render_scan(SpineSpec(), _small_grid((1.0, 1.0, 1.0)), **QUIET).ct_hu
    means = thin.reshape(*thin.shape[:2], -1, 3).mean(axis=3)
    # both are sampled: a voxel on a border differs by a few samples, the whole by little
    assert np.abs(thick - means).mean() < 12.0
    assert abs(float((thick - means).mean())) < 3.0


def test_partial_volume_is_unbiased_under_refinement() -> None:
    coarse = render_scan(SpineSpec(), _small_grid((1.2, 1.2, 1.2)), **QUIET).ct_hu.mean()
    fine = render_scan(SpineSpec(), _small_grid((0.5, 0.5, 0.5)), **QUIET).ct_hu.mean()
    assert abs(float(coarse - fine)) < 6.0


def test_noise_has_the_deviation_requested() -> None:
    grid = _small_grid()
    noisy, quiet = (
        render_scan(SpineSpec(), grid, noise_hu=noise, point_spread_fwhm_mm=0.0).ct_hu for noise in (30.0, 0.0)
    )
    assert float((noisy.astype(float) - quiet).std()) == pytest.approx(30.0, rel=0.02)


def test_metal_is_the_brightest() -> None:
    spec = SpineSpec(metal=("L3",))
    grid = natural_grid(spec, 5.0, ("L3-L4",), half_width_mm=24.0)
    assert render_scan(spec, grid, **QUIET).ct_hu.max() > 2000


def test_natural_grid_holds_both_vertebrae_and_air_behind_the_skin() -> None:
    scan = render_scan(SpineSpec(), natural_grid(SpineSpec(), 3.0, ("L4-L5",), half_width_mm=24.0), **QUIET)
    assert {"L4", "L5"} <= set(vertebrae_in(scan.labels))
    assert (scan.ct_hu[:, 0] < -900).all()
    assert scan.ct_hu.max() < 1500  # no metal
    assert is_bone(scan.labels).any()


def test_divided_cells_tile_their_voxels() -> None:
    grid = _small_grid((0.8, 1.0, 1.5), turn(1, 30.0))
    fine = divided(grid, (2, 1, 3), rim=0)
    assert fine.shape == (grid.shape[0] * 2, grid.shape[1], grid.shape[2] * 3)
    cells = fine.world_mm([[0, 0, 0], [1, 0, 0], [0, 0, 2], [1, 0, 2]])
    assert cells.mean(axis=0) == pytest.approx(grid.world_mm([0, 0, 0]))


def test_negative_noise_is_refused() -> None:
    with pytest.raises(WrongUse, match="non-negative noise"):
        Scanner(noise_hu=-1.0)
