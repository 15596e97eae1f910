"""Points placed by hand: read, refused where they cannot mean anything, and followed by the canal's chain."""

import numpy as np
import pytest

from canalwise.recon.bone.ring_centres import canal_seeds_mm
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import isotropic_grid
from canalwise.recon.segmentation.seed_points import Seed, Seeds, check_canal_free, seed_of

GRID = isotropic_grid((-50.0, -50.0, 0.0), (50.0, 50.0, 40.0), 1.0)
UP = np.array([0.0, 0.0, 1.0])


def rings(*centres: tuple[float, float]) -> np.ndarray:
    """(nx, ny, nz) bone: upright tubes of inner radius 8 and outer radius 12 mm about (x, y)."""
    x, y = np.moveaxis(GRID.voxel_centres_mm()[:, :, 0, :2], -1, 0)
    flat = np.zeros(x.shape, dtype=bool)
    for cx, cy in centres:
        radius = np.hypot(x - cx, y - cy)
        flat |= (radius >= 8) & (radius <= 12)
    return np.repeat(flat[:, :, None], GRID.shape[2], axis=2)


def test_the_chain_runs_through_the_tube_pointed_at() -> None:
    bone = rings((-20.0, 0.0), (20.0, 0.0))
    for x in (-20.0, 20.0):
        chain = canal_seeds_mm(bone, GRID, UP, np.array([[x, 0.0, 20.0]]))
        near = np.abs(chain[:, 2] - 20.0) <= 5
        assert near.sum() >= 9
        assert np.abs(chain[near, 0] - x).max() < 0.6


def test_a_point_alone_is_enough() -> None:
    chain = canal_seeds_mm(np.zeros(GRID.shape, dtype=bool), GRID, UP, np.array([[1.0, 2.0, 3.0]]))
    assert chain.tolist() == [[1.0, 2.0, 3.0]]


def test_number_of_the_vertebra_and_of_the_one_below_a_disc() -> None:
    number, disc = np.zeros(GRID.shape, dtype=np.uint8), np.zeros(GRID.shape, dtype=np.uint8)
    number[..., :15], number[..., 20:] = 1, 2
    disc[..., 15:20] = 1
    assert Seeds((Seed("vertebra:L3", (0.0, 0.0, 30.0)),)).numbers(number, disc, GRID) == {2: "L3"}
    assert Seeds((Seed("disc:L3-L4", (0.0, 0.0, 17.0)),)).numbers(number, disc, GRID) == {1: "L4"}
    clash = Seeds((Seed("disc:L3-L4", (0.0, 0.0, 17.0)), Seed("vertebra:L5", (0.0, 0.0, 5.0))))
    with pytest.raises(WrongUse, match="agree"):
        clash.numbers(number, disc, GRID)
    with pytest.raises(WrongUse, match="disc that was found"):
        Seeds((Seed("disc:L3-L4", (0.0, 0.0, 39.0)),)).numbers(number, disc, GRID)


@pytest.mark.parametrize(
    "text", ["canal", "canal=1,2", "canal=a,b,c", "cnal=1,2,3", "vertebra:L9=1,2,3", "disc:L4=1,2,3", "canal=nan,1,2"]
)
def test_refused_texts(text: str) -> None:
    with pytest.raises(WrongUse):
        seed_of(text)


def test_outside_the_scan_and_in_bone() -> None:
    seeds = Seeds((Seed("canal", (0.0, 0.0, 90.0)),))
    with pytest.raises(WrongUse, match="must lie in the scan"):
        seeds.check_in(GRID)
    with pytest.raises(WrongUse, match="not in bone"):
        check_canal_free(np.array([[10.0, 0.0, 5.0]]), rings((0.0, 0.0)), GRID)
    check_canal_free(np.array([[0.0, 0.0, 5.0], [10.0, 0.0, 900.0]]), rings((0.0, 0.0)), GRID)
