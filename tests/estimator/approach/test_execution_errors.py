"""Disturbed copies of an approach: their laws, hand-made moves, and the pivot that skin and fascia hold."""

import numpy as np
import pytest

from canalwise.estimator.approach.approach import Approach, Phase, axis_level
from canalwise.estimator.approach.execution_errors import ExecutionErrors, carried_out, causes_of, disturbed
from canalwise.estimator.approach.table import COLUMNS, axes_level, pivots_level_mm, table_of
from canalwise.recon.errors import WrongUse

PLAN = Approach(
    "L3-L4",
    "right",
    (-8.0, 12.0, 1.0),
    45.0,
    (Phase("ipsilateral", -4.0, 6.0), Phase("over the top", 19.0, pivot_shift_mm=(-6.0, 0.0, 1.0))),
)
SAMPLES = 20_000
LAW_TOL = 4 / np.sqrt(SAMPLES)
"""Four standard errors of a mean of that many."""


def normals(**at: float) -> np.ndarray:
    """One row of numbers, 0 but for some columns, such as c3=1.0."""
    row = np.zeros((1, len(causes_of(2))))
    for name, value in at.items():
        row[0, int(name[1:])] = value
    return row


def test_no_error_is_the_plan() -> None:
    copy, plan = disturbed(PLAN, ExecutionErrors(), normals()), table_of([PLAN])
    assert all(np.array_equal(getattr(copy, name), getattr(plan, name)) for name in COLUMNS)


def test_tilting_holds_the_pivot_and_turns_one_phase() -> None:
    copy, plan = disturbed(PLAN, ExecutionErrors(), normals(c5=1.0, c6=-1.5)), table_of([PLAN])
    assert pivots_level_mm(copy) == pytest.approx(pivots_level_mm(plan))
    assert axes_level(copy)[0, 0] == pytest.approx(axis_level("right", -4.0 + 2.0, 6.0 - 3.0))
    assert axes_level(copy)[0, 1] == pytest.approx(axes_level(plan)[0, 1])


def test_entry_and_registration_move_every_pivot_alike() -> None:
    copy = disturbed(PLAN, ExecutionErrors(), normals(c0=1.0, c1=2.0, c2=1.0, c3=1.0, c4=-1.0))
    moved = pivots_level_mm(copy) - pivots_level_mm(table_of([PLAN]))
    assert moved[0] == pytest.approx(np.tile([1.5 + 0.7, 0.7, 3.0 - 0.7], (2, 1)))


def test_depth_moves_sleeve_and_tool_of_its_phase() -> None:
    copy, plan = disturbed(PLAN, ExecutionErrors(), normals(c10=2.0)), table_of([PLAN])
    for name in ("sleeve_past_mm", "tip_past_mm"):
        assert (getattr(copy, name) - getattr(plan, name)).tolist() == [[0.0, 2.0]]


def test_samples_follow_their_records() -> None:
    errors = ExecutionErrors()
    table, plan = carried_out(PLAN, errors, SAMPLES, np.random.default_rng(4)), table_of([PLAN])
    shift = pivots_level_mm(table)[:, 0] - pivots_level_mm(plan)[:, 0]
    wide = np.hypot(errors.value("entry_sd_mm"), errors.value("registration_sd_mm"))
    tilts = np.concatenate([table.medial_deg - plan.medial_deg, table.cranial_deg - plan.cranial_deg], axis=1)
    drawn = np.concatenate(
        [shift / [wide, errors.value("registration_sd_mm"), wide], tilts / 2.0, table.tip_past_mm - plan.tip_past_mm],
        axis=1,
    )
    assert drawn.mean(axis=0) == pytest.approx(0.0, abs=LAW_TOL)
    # all errors but those of sleeve and tool are independent of each other
    assert np.cov(drawn.T) == pytest.approx(np.eye(9), abs=2 * LAW_TOL)


def test_the_seed_decides() -> None:
    first, same, other = (carried_out(PLAN, ExecutionErrors(), 5, np.random.default_rng(seed)) for seed in (1, 1, 2))
    assert all(getattr(first, name).tobytes() == getattr(same, name).tobytes() for name in COLUMNS)
    assert not np.array_equal(first.docking_mm, other.docking_mm)


def test_errors_are_checked() -> None:
    with pytest.raises(WrongUse, match="0 or more"):
        ExecutionErrors().changed(entry_sd_mm=-1.0)
    with pytest.raises(WrongUse, match="must be among"):
        ExecutionErrors().changed(luck=1.0)
