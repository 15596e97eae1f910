"""A vertebra found again in another scan of known pose; twice the same; and refused where it is not there."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from canalwise.estimator.audit.scan_pair import starts_of
from canalwise.recon.errors import UnusableInput
from canalwise.recon.grid import Grid
from canalwise.recon.registration import column
from canalwise.recon.registration.carried_tissue import carried
from canalwise.recon.registration.coarse_search import CoarsePlace, coarse_places
from canalwise.recon.registration.column import LabelledScan, names_agree, registered_on
from canalwise.recon.registration.masks import bone_about_mm
from canalwise.recon.registration.rigid_motion import RigidMotion
from canalwise.recon.registration.vertebra_registration import VertebraRegistration, registered
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


def _placed(fits: Sequence[float], shift_mm: float) -> dict[str, VertebraRegistration]:
    """Registrations of some vertebrae that fit so well; 0 is one that could not be registered."""
    motion = RigidMotion.about(np.zeros(3), np.eye(3), [0.0, 0.0, shift_mm])
    return {
        f"L{n}": VertebraRegistration(f"L{n}", motion, "mutual information", fit, 0.1, 0.1, 5, 5, "" if fit else "none")
        for n, fit in enumerate(fits, start=2)
    }


def _two_places(monkeypatch: pytest.MonkeyPatch, *placed: dict[str, VertebraRegistration]) -> LabelledScan:
    """An MR without names whose rough places are two, and what is registered from either."""
    answers = iter(placed)
    monkeypatch.setattr(column, "_starts", lambda *_: [one["L2"].motion for one in placed])
    monkeypatch.setattr(column, "_registered_from", lambda *_: next(answers))
    grid = Grid((2, 2, 2), np.eye(4))
    return LabelledScan(Scan(np.zeros(grid.shape, np.int16), grid, "MR"), np.zeros(grid.shape, np.uint16), grid)


def test_of_places_a_vertebra_apart_the_one_where_most_vertebrae_fit_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fits as found on a made-up pair whose tissues agreed best a vertebra off (scripts/accuracy_audit.py)."""
    off, true = _placed((0.512, 0.435, 0.0, 0.0), 0.0), _placed((0.0, 0.492, 0.533, 0.531), 28.0)
    mr = _two_places(monkeypatch, off, true)
    assert registered_on(pairs.mr_pair()[0], mr) is true


def test_two_places_that_fit_alike_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    mr = _two_places(monkeypatch, _placed((0.4, 0.5), 0.0), _placed((0.5, 0.35), 30.0))
    with pytest.raises(UnusableInput, match="must fit the CT at one place only"):
        registered_on(pairs.mr_pair()[0], mr)


def test_where_no_vertebra_fits_anywhere_each_says_why(monkeypatch: pytest.MonkeyPatch) -> None:
    first = _placed((0.0, 0.0), 0.0)
    mr = _two_places(monkeypatch, first, _placed((0.0, 0.0), 30.0))
    assert registered_on(pairs.mr_pair()[0], mr) is first


def test_a_place_that_agrees_nearly_as_well_is_followed_up(monkeypatch: pytest.MonkeyPatch) -> None:
    fixed, moving = pairs.mr_pair()
    unnamed = np.where(moving.labels >= 100, 100 + moving.labels % 100, moving.labels).astype(np.uint16)
    mr = LabelledScan(moving.scan, unnamed, moving.grid)
    found = column.coarse_places

    def a_vertebra_off_first(*arguments: Any) -> tuple[CoarsePlace, ...]:
        places = found(*arguments)
        off = RigidMotion(places[0].motion.matrix_ras_mm + np.outer([0, 0, 32.0, 0], [0, 0, 0, 1]))
        return CoarsePlace(off, 1.02 * places[0].correlation), *places

    straight = registered_on(fixed, mr)
    monkeypatch.setattr(column, "coarse_places", a_vertebra_off_first)
    again = registered_on(fixed, mr)
    assert again.keys() == straight.keys()
    for name, one in again.items():
        assert np.allclose(one.motion.moved_mm(toy.ORIGIN_RAS_MM), straight[name].motion.moved_mm(toy.ORIGIN_RAS_MM))
