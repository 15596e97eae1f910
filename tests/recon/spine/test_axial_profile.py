"""Pedicles and discs of a spine of blocks, whose heights are known."""

import numpy as np
import pytest

from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.spine.axial_profile import SpineProfile, spine_profile
from tests.recon.blocks import BODY_HALF_MM, COUNT, PEDICLE_HIGH_MM, PEDICLE_LOW_MM, STEP_MM, blocks, middles_mm


def found() -> SpineProfile:
    """The profile of the blocks."""
    b = blocks()
    box = b.field.box
    return spine_profile(b.field, b.hu[box], b.wall[box] | ((b.body[box] == 0) & (b.number[box] > 0)))


def test_pedicles_stand_at_their_middles() -> None:
    expected = middles_mm() + (PEDICLE_LOW_MM + PEDICLE_HIGH_MM) / 2
    assert found().pedicles_mm == pytest.approx(expected, abs=STEP_MM)


def test_discs_lie_between_the_bodies() -> None:
    profile = found()
    middles = middles_mm()
    assert profile.count == COUNT
    for (low, high), lower, upper in zip(profile.discs_mm, middles[:-1], middles[1:], strict=True):
        # the crest of a plate one voxel thick lies within it
        assert lower + BODY_HALF_MM - low == pytest.approx(0.0, abs=1.5 * STEP_MM)
        assert high - (upper - BODY_HALF_MM) == pytest.approx(0.0, abs=1.5 * STEP_MM)


def test_every_body_has_its_own_pedicle() -> None:
    profile = found()
    assert [profile.pedicle_of(n) for n in range(COUNT)] == list(profile.pedicles_mm)


def test_without_pedicles_nothing_is_found() -> None:
    b = blocks()
    nothing = np.zeros_like(b.wall[b.field.box])
    with pytest.raises(AnatomyNotFound, match="pedicles"):
        spine_profile(b.field, b.hu[b.field.box], nothing)


def test_spans_and_pedicles_of_a_written_profile() -> None:
    profile = SpineProfile((20.0, 55.0, 61.0), ((30.0, 40.0),), 80.0)
    assert profile.body_span_mm(0) == (-1e3, 30.0)
    assert profile.body_span_mm(1) == (40.0, 1e3)
    assert profile.pedicle_of(0) == 20.0
    # a sacrum is bony beside the canal for long: the cranial one counts
    assert profile.pedicle_of(1) == 61.0
