"""Motions and their blend: laws of rigid motions, and each vertebra's own motion near it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canalwise.recon.errors import BadGeometry
from canalwise.recon.registration.blend import blended
from canalwise.recon.registration.itk_images import itk_motion, motion_of
from canalwise.recon.registration.masks import bone_about_mm, untouched_mask
from canalwise.recon.registration.rigid_motion import RigidMotion
from tests import pairs
from tests.workbench import toy

NUMBERS = st.tuples(*[st.floats(-30, 30)] * 3)
SAME_MM = 1e-9


@given(NUMBERS, NUMBERS, NUMBERS)
def test_there_and_back_is_nowhere_and_lengths_stay(shift, turn, point):
    motion = pairs.motion(shift, turn)
    there = motion.moved_mm(point)
    assert np.allclose(motion.inverse().moved_mm(there), point, atol=SAME_MM)
    away = np.linalg.norm(there - motion.moved_mm([0.0, 0.0, 0.0]))
    assert away == pytest.approx(np.linalg.norm(point), abs=1e-7)
    assert motion.then(motion.inverse()).turn_deg() == pytest.approx(0.0, abs=1e-4)


@given(NUMBERS, NUMBERS)
def test_a_motion_is_the_same_after_the_optimiser_had_it(shift, turn):
    motion, centre = pairs.motion(shift, turn), np.array([3.0, -40.0, 200.0])
    again = motion_of(itk_motion(motion, centre), centre)
    assert np.allclose(again.matrix_ras_mm, motion.matrix_ras_mm, atol=1e-6)


def test_a_shear_or_a_mirror_is_no_motion():
    for turn in (np.diag([1.0, 1.0, -1.0]), np.array([[1, 0.1, 0], [0, 1, 0], [0, 0, 1]])):
        with pytest.raises(BadGeometry, match="must be a turn and a shift"):
            RigidMotion.of(turn, np.zeros(3))


def test_equal_motions_blend_to_themselves_and_each_vertebra_keeps_its_own():
    labels, grid = toy.labels(), toy.grid()
    points = np.concatenate([bone_about_mm(labels, grid, name, 6.0) for name in ("L3", "L4")])
    one = pairs.motion()
    both = blended(labels, grid, {"L3": one, "L4": one})
    assert np.allclose(both.moved_mm(points), one.moved_mm(points), atol=1e-6)
    apart = blended(labels, grid, {"L3": one, "L4": RigidMotion.of(np.eye(3), np.zeros(3))})
    upper = bone_about_mm(labels, grid, "L3", 6.0)
    body = upper[toy.frame().to_level_mm(upper)[:, 2] > 14]
    # ten millimetres and more from the other vertebra its say is a few thousandths of a 28 mm shift
    assert np.abs(apart.moved_mm(body) - one.moved_mm(body)).max() < 0.05


def test_what_may_be_taken_or_belongs_to_a_neighbour_does_not_guide_the_registration():
    labels = toy.labels()
    mask, box = untouched_mask(labels, toy.grid(), "L3")
    seen = set(np.unique(labels[box][mask]).tolist())
    assert 2201 in seen
    assert not {value for value in seen if value >= 100} - {2201}
    assert not seen & {1, 2}
