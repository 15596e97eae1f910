"""The disc-level slice through a joint: 2 mm thick about the disc's mid-plane, or as near to it as joints reach."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.estimator.level.joint_faces import disc_slice
from canalwise.recon.anatomy import Joint
from tests.estimator.toys import toy_level

FRAME = toy_level(10.0).frame


def joint_at(heights_mm: list[float]) -> Joint:
    """A joint whose faces stand 2 mm apart, with a pair at each height."""
    inferior, superior = (FRAME.to_world_mm(np.array([[x, 5.0, z] for z in heights_mm])) for x in (11.0, 13.0))
    return Joint("left", inferior, superior, np.ones(len(heights_mm)), 40.0, 2.0)


@pytest.mark.parametrize(
    ("heights_mm", "within"),
    [
        ([-1.5, -0.9, 0.0, 0.9, 1.1, 2.0], [False, True, True, True, False, False]),
        ([5.0, 6.5, 7.5, 10.0], [True, True, False, False]),
        ([-10.0, -7.5, -6.5, -5.0], [False, False, True, True]),
    ],
)
def test_pairs_of_the_slice(heights_mm: list[float], within: list[bool]) -> None:
    assert disc_slice(joint_at(heights_mm), FRAME).tolist() == within
