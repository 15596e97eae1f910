"""Bodies, discs and arches of a spine of blocks, flooded from what is sure."""

from itertools import pairwise

import numpy as np
import pytest

from canalwise.recon.spine.arches import arches, pedicle_heights_mm
from canalwise.recon.spine.axial_profile import SpineProfile
from canalwise.recon.spine.bodies import bodies, discs, flooded
from tests.recon.blocks import BODY_HALF_MM, COUNT, PEDICLE_HIGH_MM, PEDICLE_LOW_MM, blocks, middles_mm


@pytest.fixture(scope="module")
def profile() -> SpineProfile:
    """The blocks' own heights."""
    middles = middles_mm()
    pedicles = tuple(float(m) + (PEDICLE_LOW_MM + PEDICLE_HIGH_MM) / 2 for m in middles)
    plates = tuple((float(a) + BODY_HALF_MM, float(b) - BODY_HALF_MM) for a, b in pairwise(middles))
    return SpineProfile(pedicles, plates, float(middles[-1]) + 18.0)


@pytest.fixture(scope="module")
def body(profile: SpineProfile) -> np.ndarray:
    """Numbers of the bodies found."""
    b = blocks()
    return bodies(b.field, b.hu[b.field.box], b.wall[b.field.box], profile)


def overlap(one: np.ndarray, other: np.ndarray) -> float:
    """Dice of two masks."""
    return float(2 * (one & other).sum() / (one.sum() + other.sum()))


@pytest.mark.parametrize("n", range(1, COUNT + 1))
def test_each_body_is_its_block(n: int, body: np.ndarray) -> None:
    b = blocks()
    assert overlap(body == n, b.body[b.field.box] == n) > 0.93


def test_disc_lies_between_two_bodies_and_touches_none(profile: SpineProfile) -> None:
    b = blocks()
    true = b.body[b.field.box]
    disc = discs(b.field, true, profile)
    assert set(np.unique(disc)) == {0, 1, 2}
    assert not (disc > 0)[true > 0].any()
    middles = middles_mm()
    for n in (1, 2):
        heights = b.field.along_mm[disc == n]
        assert middles[n - 1] + BODY_HALF_MM - 1.0 <= heights.min()
        assert heights.max() <= middles[n] - BODY_HALF_MM + 1.0
        # a block of 42 x 32 mm, ten high: all but the columns at its rims
        assert (disc == n).sum() * b.grid.voxel_mm3 == pytest.approx(42 * 32 * 10, rel=0.25)


def test_arch_bone_goes_to_its_own_vertebra(profile: SpineProfile) -> None:
    b = blocks()
    box = b.field.box
    true = b.number[box]
    found = arches(b.field, b.hu[box], true > 0, b.body[box], b.tube.mask[box], profile)
    arch = (true > 0) & (b.body[box] == 0)
    assert (found[arch] == true[arch]).mean() > 0.98
    assert not found[true == 0].any()


def test_pedicle_out_of_view_is_taken_one_period_on() -> None:
    profile = SpineProfile((60.0,), ((40.0, 48.0), (72.0, 80.0)), 120.0)
    assert pedicle_heights_mm(profile) == [26.0, 60.0, 94.0]


def test_floods_meet_at_the_crest() -> None:
    land = np.zeros((3, 3, 21), np.float32)
    land[:, :, 12] = 5.0
    seeds = np.zeros(land.shape, np.uint8)
    seeds[1, 1, 2], seeds[1, 1, 18] = 1, 2
    found = flooded(land, seeds)
    assert (found[:, :, :12] == 1).all()
    assert (found[:, :, 13:] == 2).all()
