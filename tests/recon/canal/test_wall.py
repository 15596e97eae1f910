"""Rays and the wall they meet, on tubes of formula."""

import numpy as np
import pytest
from scipy import linalg, sparse
from scipy.sparse.linalg import spsolve

from canalwise.recon.canal.wall import (
    ANGLES,
    BEND_WEIGHT,
    REACH_MM,
    SLOPE_WEIGHT,
    Stations,
    _banded,
    _slopes,
    bone_distance_mm,
    ray_angles_rad,
    ray_directions,
    rough_wall_mm,
    wall_mm,
)
from canalwise.recon.grid import isotropic_grid


def upright(count: int = 5) -> Stations:
    """Stations 1 mm apart on the z axis, axes left, dorsal, cranial."""
    heights = np.arange(count, dtype=float)
    centre = np.stack([0 * heights, 0 * heights, heights], axis=-1)
    return Stations(centre, np.broadcast_to(np.diag([-1.0, -1.0, 1.0]), (count, 3, 3)))


def test_rays_turn_from_left_over_dorsal() -> None:
    rays = ray_directions(upright())[0]
    quarter = ANGLES // 4
    for n, expected in ((0, [-1, 0, 0]), (quarter, [0, -1, 0]), (2 * quarter, [1, 0, 0]), (3 * quarter, [0, 1, 0])):
        assert rays[n] == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("radius_mm", [6.0, 9.3, 14.0])
def test_distance_to_a_round_wall_is_its_radius(radius_mm: float) -> None:
    grid = isotropic_grid([-20, -20, -2], [20, 20, 6], 0.5)
    x, y, _ = np.moveaxis(grid.voxel_centres_mm(), -1, 0)
    # linear across the border, so the half-occupied point lies on the circle
    occupancy = np.clip(0.5 + (np.hypot(x, y) - radius_mm), 0, 1).astype(np.float32)
    assert bone_distance_mm(occupancy, grid, upright()) == pytest.approx(radius_mm, abs=0.05)


def test_ray_that_meets_nothing_is_infinite_and_one_that_starts_in_bone_is_zero() -> None:
    grid = isotropic_grid([-30, -30, -2], [30, 30, 6], 1.0)
    empty = np.zeros(grid.shape, np.float32)
    assert np.isinf(bone_distance_mm(empty, grid, upright())).all()
    assert (bone_distance_mm(empty + 1, grid, upright()) == 0).all()


def test_window_is_bridged_between_its_rims_and_not_bony() -> None:
    hit = np.full((60, ANGLES), 8.0)
    hit[20:40, 12:24] = np.inf
    radius, bony = wall_mm(hit, 1.0)
    # between the straight line from rim to rim and the arc about the centreline
    chord_mm = 8.0 * np.cos(np.pi / ANGLES * 13) / np.cos(ray_angles_rad()[12:24] - np.pi / ANGLES * 35)
    assert (radius < 8.1).all()
    assert (radius[20:40, 12:24] > chord_mm - 0.1).all()
    assert radius[30, 17] < 7.7
    assert np.abs(radius[:12] - 8.0).max() < 0.05
    assert not bony[20:40, 12:24].any()
    assert bony[:15].all()


@pytest.mark.parametrize("apex_mm", [8.0, 11.0])
def test_flat_roof_is_carried_on_across_a_window(apex_mm: float) -> None:
    # a box 20 mm wide under a ridged roof of two flat slopes, open behind for a third of its length; the ridge itself
    # is rounded off where nothing shows it
    turn = ray_angles_rad()
    cos, sin = np.cos(turn), np.sin(turn)
    with np.errstate(divide="ignore"):
        box = np.minimum(10.0 / np.maximum(np.abs(cos), 1e-9), np.where(sin < 0, -7.0 / np.minimum(sin, -1e-9), 99.0))
        roof = apex_mm / np.maximum(sin + np.abs(cos) * (apex_mm - 2.0) / 10.0, 1e-9)
    section = np.minimum(box, np.where(roof > 0, roof, 99.0))
    hit = np.tile(section, (60, 1))
    hit[22:38, 11:26] = np.inf
    radius, _ = wall_mm(hit, 1.0)
    area = [(r * np.roll(r, -1)).sum() * np.sin(2 * np.pi / ANGLES) / 2 for r in (section, radius[30])]
    assert area[1] == pytest.approx(area[0], rel=0.06)


def test_bone_far_behind_a_window_is_not_the_wall() -> None:
    hit = np.full((60, ANGLES), 8.0)
    hit[25:35, 14:22] = 19.0
    radius, bony = wall_mm(hit, 1.0)
    assert radius[25:35, 14:22].max() < 10.0
    assert not bony[28:32, 16:20].any()


def test_slow_narrowing_is_followed() -> None:
    true = np.broadcast_to((10.0 - 3.0 * np.exp(-(((np.arange(60) - 30) / 10.0) ** 2)))[:, None], (60, ANGLES))
    radius, bony = wall_mm(true.copy(), 1.0)
    assert np.abs(radius - true).max() < 0.5
    assert bony.mean() > 0.9


def test_rough_wall_is_cut_off_where_no_canal_reaches() -> None:
    wall, near = rough_wall_mm(np.array([[8.0, REACH_MM, np.inf]]))
    assert wall.tolist() == [[8.0, 15.0, 15.0]]
    assert near.tolist() == [[True, False, False]]


def test_angles_and_step() -> None:
    assert ray_angles_rad()[ANGLES // 2] == pytest.approx(np.pi)
    assert upright(9).step_mm == pytest.approx(1.0)


@pytest.mark.parametrize("stations", [1, 2, 3, 40])
def test_bands_hold_the_whole_matrix_of_the_membrane(stations: int) -> None:
    slopes = _slopes((stations, ANGLES), 1.0, 0.7)
    matrix = SLOPE_WEIGHT * slopes + BEND_WEIGHT * (slopes @ slopes) + sparse.eye_array(stations * ANGLES)
    known = np.random.default_rng(0).normal(9.0, 2.0, stations * ANGLES)
    found = linalg.solveh_banded(_banded(matrix), known, lower=True)
    assert found == pytest.approx(spsolve(sparse.csc_array(matrix), known), rel=1e-9)
