"""The batch on a graphics card against the same on the processor; all but the first test need a card."""

from __future__ import annotations

import importlib
from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.approach.table import ApproachTable, table_of
from canalwise.estimator.batch import gpu as batch_gpu
from canalwise.estimator.batch.gpu import Gpu, side_by_side
from canalwise.estimator.batch.outcomes import ErrorShifts, Outcomes, outcomes, taken_by_all
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.recon.errors import WrongUse
from tests.laws.scenes import SPEC, anatomy_on, grid_of, ready_level, usual

AGREE_TOL = 1e-5  # of a volume or area; absolute for shares
MM_TOL = 1e-4  # positions 50 mm off a pivot are known to some 4e-6 mm, distances across an axis to ten times that
FLIPS_FRAC = 1e-3  # of targets and of samples, at most, pass a threshold on one side only
COUNT = 400


@pytest.fixture(scope="module")
def card() -> Gpu:
    try:
        return Gpu()
    except WrongUse as error:
        pytest.skip(str(error))


@pytest.fixture(scope="module")
def prepared() -> PreparedLevel:
    return ready_level(anatomy_on(SPEC, grid_of(SPEC)))


@pytest.fixture(scope="module")
def table(prepared) -> ApproachTable:
    """The usual approach and disturbed copies of it."""
    one = table_of([usual(prepared.anatomy)]).rows(np.zeros(COUNT, dtype=np.intp))
    off = np.random.default_rng(5).uniform(-1, 1, (3, COUNT, 3))
    return replace(
        one,
        docking_mm=one.docking_mm + 3 * off[0],
        medial_deg=one.medial_deg + 8 * off[1, :, :2],
        cranial_deg=one.cranial_deg + 8 * off[2, :, :2],
    )


@pytest.fixture(scope="module")
def shifts() -> ErrorShifts:
    rng = np.random.default_rng(6)
    return ErrorShifts(rng.uniform(-0.5, 0.5, COUNT), rng.uniform(-0.5, 0.5, COUNT))


def test_without_cupy_the_extra_is_named(monkeypatch):
    def missing(name: str) -> None:
        raise ImportError(name)

    monkeypatch.setattr(importlib, "import_module", missing)
    with pytest.raises(WrongUse, match="extra 'gpu'"):
        Gpu()


def test_tables_placed_side_by_side_are_found_where_the_card_looks():
    sight = np.random.default_rng(0).integers(-127, 128, (37, 91)).astype(np.int8)
    flat = side_by_side(sight).ravel()
    n, look = np.meshgrid(np.arange(37), np.arange(91), indexing="ij")
    np.testing.assert_array_equal(flat[n // 16 * 91 * 16 + look * 16 + n % 16], sight)


def test_card_and_processor_agree(card, prepared, table, shifts):
    ours, theirs = outcomes(prepared.scene, table, shifts, on=card), outcomes(prepared.scene, table, shifts)
    check(ours, theirs)
    assert theirs.taken.bone_mm3.min() > 0
    assert theirs.reached_frac.max() > 0


@pytest.mark.parametrize("phases", [1, 3])
def test_they_agree_for_any_number_of_phases(card, prepared, table, phases):
    which = np.arange(phases) % 2
    names = tuple(f"phase {p}" for p in range(phases))
    columns = ("medial_deg", "cranial_deg", "sweep_deg", "sleeve_past_mm", "tip_past_mm", "shift_mm")
    taken = {name: getattr(table, name)[:, which] for name in columns}
    other = replace(table, phase_names=names, **taken)
    check(outcomes(prepared.scene, other, on=card), outcomes(prepared.scene, other))


def check(ours: Outcomes, theirs: Outcomes) -> None:
    """Equal but for rounding; only what stands at a threshold may pass it."""
    assert ours.taken.bone_mm3 == pytest.approx(theirs.taken.bone_mm3, rel=AGREE_TOL)
    whole = theirs.taken.scene.bucket_whole
    assert ours.taken.weight / whole == pytest.approx(theirs.taken.weight / whole, abs=2 * AGREE_TOL)
    for name in ("facet_area_frac", "facet_width_frac", "undercut_frac"):
        assert getattr(ours, name) == pytest.approx(getattr(theirs, name), abs=AGREE_TOL, nan_ok=True), name
    for name in ("pars_mm", "bridge_mm", "reached_frac", "lateral_mm", "clearance_mm"):
        one, other = getattr(ours, name), getattr(theirs, name)
        np.testing.assert_array_equal(np.isnan(one), np.isnan(other))
        assert np.mean(np.abs(one - other) > MM_TOL) <= FLIPS_FRAC, name


def test_answers_do_not_depend_on_company_or_the_run(card, prepared, table, monkeypatch):
    together, again = taken_by_all(prepared.scene, table, on=card), taken_by_all(prepared.scene, table, on=card)
    monkeypatch.setattr(batch_gpu, "CHUNK", 7)
    apart = taken_by_all(prepared.scene, table, on=card)
    assert together.weight.tobytes() == again.weight.tobytes() == apart.weight.tobytes()
    assert together.per_mm.tobytes() == apart.per_mm.tobytes()


def test_of_no_approaches_there_is_nothing_to_say(card, prepared, table):
    none = outcomes(prepared.scene, table.rows(np.zeros(0, dtype=np.intp)), on=card)
    assert none.taken.weight.shape == (0, len(prepared.scene.buckets))
    assert none.reached_frac.shape == (0, 2, len(prepared.scene.sets))


def test_more_phases_than_a_leafs_word_holds_are_refused(card, prepared, table):
    many = np.zeros((1, 5, 14), np.float32)
    with pytest.raises(WrongUse, match="4 phases"):
        card.removals(prepared.scene, many, np.ones(1, np.float32))
