"""A vertebra found again in another scan of known pose; twice the same; and refused where it is not there."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.estimator.audit.scan_pair import starts_of
from canalwise.recon.errors import UnusableInput
from canalwise.recon.grid import Grid
from canalwise.recon.registration.carried_tissue import carried
from canalwise.recon.registration.coarse_search import coarse_places
from canalwise.recon.registration.column import LabelledScan, names_agree, registered_on
from canalwise.recon.registration.masks import bone_about_mm
from canalwise.recon.registration.rigid_motion import RigidMotion
from canalwise.recon.registration.vertebra_registration import registered
from canalwise.recon.scan import Scan
from tests import pairs
from tests.workbench import toy

ERROR_MM = 0.15
"""Of a vertebra in a CT of 1 mm voxels and little noise."""

MR_ERROR_MM = 0.8
"""Of a vertebra in an MR of 3 mm slices."""


def apart_mm(motion: RigidMotion, truth: RigidMotion, vertebra: str) -> float:
    """Mean distance over the vertebra."""
    return float(motion.apart_mm(truth, bone_about_mm(toy.labels(), toy.grid(), vertebra)).mean())


def test_the_place_is_found_however_far_away_the_patient_lay():
    far = pairs.motion((140.0, -90.0, 60.0), (0.0, 6.0, -5.0))
    after = pairs.after(pairs.still(), far, seed=4)
    starts = starts_of(toy.anatomy(), pairs.before(), after, toy.anatomy().levels[0])
    assert apart_mm(starts[0], far, "L3") < 8.0


def test_a_vertebra_is_found_again_and_again_the_same():
    near = pairs.motion((22.0, -12.0, 8.0), (1.0, -2.0, 3.0))
    found = [registered(pairs.before(), toy.labels(), pairs.untouched(), "L3", [near]) for _ in range(2)]
    assert not found[0].problem
    assert apart_mm(found[0].motion, pairs.motion(), "L3") < ERROR_MM
    assert found[0].residual_mm < ERROR_MM
    assert found[0].fit > 0.95
    assert found[0].motion.matrix_ras_mm.tobytes() == found[1].motion.matrix_ras_mm.tobytes()


def test_another_patients_vertebra_is_recognised():
    rng = np.random.default_rng(8)
    other = Scan(rng.permutation(pairs.before().voxels, axis=2), toy.grid(), "CT")
    found = registered(pairs.before(), toy.labels(), other, "L3", [RigidMotion.of(np.eye(3), np.zeros(3))])
    assert "agree too little" in found.problem


def test_a_vertebra_without_a_body_in_view_is_none():
    assert registered(pairs.before(), toy.labels(), pairs.untouched(), "L5", [pairs.motion()]) is None


def test_a_piece_fits_nowhere_in_an_empty_scan():
    empty = np.zeros((20, 20, 20), dtype=np.float32)
    piece = np.ones((10, 10, 10), dtype=np.float32)
    assert coarse_places(piece, piece > 0, Grid((10, 10, 10), np.eye(4)), empty, Grid((20, 20, 20), np.eye(4))) == ()


def test_an_mr_is_placed_on_a_ct_and_its_sac_carried_over():
    fixed, moving = pairs.mr_pair()
    found = pairs.registered_mr()
    assert list(found) == ["L3", "L4"]
    for name, one in found.items():
        assert not one.problem
        assert apart_mm(one.motion, pairs.motion(), name) < MR_ERROR_MM
    tissue = carried(fixed, moving, found)
    assert tissue.levels == (("L3", "L4"),)
    carried_over = tissue.canal > 0
    sac, true = (tissue.canal == 2) & carried_over, (toy.labels() == 2) & carried_over
    assert 2 * (sac & true).sum() / (sac.sum() + true.sum()) > 0.9


def test_names_that_contradict_each_other_are_refused():
    fixed, moving = pairs.mr_pair()
    shifted = np.where(moving.labels >= 100, moving.labels + 100, moving.labels).astype(np.uint16)
    assert names_agree(fixed, moving, pairs.motion())
    with pytest.raises(UnusableInput, match="name its vertebrae as the CT does"):
        registered_on(fixed, LabelledScan(moving.scan, shifted, moving.grid))
