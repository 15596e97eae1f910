"""What blocks a target, on a segment where it is known."""

from __future__ import annotations

from dataclasses import replace

import pytest

from canalwise.estimator.approach.approach import Approach, Phase
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.estimate.blocked_targets import IN_WORDS, blocking_structures
from canalwise.estimator.level.prepared_level import prepared_level
from tests.estimator import toys

STRAIGHT = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 40.0, (Phase("ipsilateral", 0.0, 0.0, 3.0, 0.0, 30.0),))


@pytest.fixture(scope="module")
def prepared():
    """A round sac of 5 mm in a round canal of 8 mm: the wall at the left lies clear of it for a ray from behind."""
    return prepared_level(toys.round_sac_anatomy(5.0, 8.0), "L3-L4")


@pytest.mark.parametrize(
    ("phase", "channel", "cause"),
    [
        (Phase("ipsilateral", 45.0, 0.0, 0.5, 0.0, 30.0), Channel(), "sweep"),
        (Phase("ipsilateral", 0.0, 0.0, 15.0, 0.0, 30.0), Channel(working_length_mm=20.0), "working length"),
    ],
)
def test_sweep_and_length_are_distinguished(prepared, phase, channel, cause):
    assert (
        blocking_structures(prepared, replace(STRAIGHT, phases=(phase,), channel=channel), "ipsilateral canal wall")
        == cause
    )


def test_the_far_wall_lies_behind_the_sac_for_a_flat_path(prepared):
    """From 8 mm left of the midline and level with the sac, straight across."""
    across = Approach("L3-L4", "left", (12.0, 0.0, 0.0), 40.0, (Phase("over the top", 80.0, 0.0, 20.0, 0.0, 40.0),))
    assert blocking_structures(prepared, across, "contralateral canal wall") == "sac"


def test_what_is_not_in_view_is_not_missed(prepared):
    assert blocking_structures(prepared, STRAIGHT, "contralateral foramen entrance") == "nothing"
    assert set(IN_WORDS) == {"sac", "protected bone", "sweep", "working length", "nothing"}
