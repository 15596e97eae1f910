"""Disturbed copies of an approach: their laws, moves made by hand, and the pivot that skin and fascia hold."""

import numpy as np
import pytest

from canalwise.estimator.approach.approach import Approach, Phase, axis_level
from canalwise.estimator.approach.error_presets import EXPERIENCES, GUIDANCES
from canalwise.estimator.approach.execution_errors import (
    ExecutionErrors,
    causes_of,
    disturbed,
    executed_approaches,
    execution_errors_of,
)
from canalwise.estimator.approach.table import COLUMNS, ApproachTable, axes_level, pivots_level_mm, table_of
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


def tips_mm(table: ApproachTable) -> np.ndarray:
    """(A, P, 3) array: where each phase's tool ends, level frame."""
    length = table.pivot_distance_mm[:, None] + table.tip_past_mm
    return pivots_level_mm(table) + length[..., None] * axes_level(table)


def test_the_first_phase_is_tilted_about_the_docking_point() -> None:
    copy, plan = disturbed(PLAN, ExecutionErrors(), normals(c5=1.0, c6=-1.0)), table_of([PLAN])
    assert copy.docking_mm == pytest.approx(plan.docking_mm)
    assert axes_level(copy)[0, 0] == pytest.approx(axis_level("right", -4.0 + 3.5, 6.0 - 3.5))
    moved = np.linalg.norm(pivots_level_mm(copy)[0, 0] - pivots_level_mm(plan)[0, 0])
    assert moved == pytest.approx(45.0 * np.radians(np.hypot(3.5, 3.5)), rel=0.02)


def test_a_later_phase_aims_at_the_planned_place_from_where_the_pivot_lies() -> None:
    copy, plan = disturbed(PLAN, ExecutionErrors(), normals(c0=1.0, c1=-1.0, c5=1.0)), table_of([PLAN])
    length = PLAN.pivot_distance_mm + PLAN.phases[1].tip_past_lamina_mm
    direction = tips_mm(plan)[0, 1] - pivots_level_mm(copy)[0, 1]
    assert axes_level(copy)[0, 1] == pytest.approx(direction / np.linalg.norm(direction))
    # what stays of the miss is that the path is longer or shorter, and the tool as long as before
    assert np.linalg.norm(tips_mm(copy)[0, 1] - tips_mm(plan)[0, 1]) == pytest.approx(
        abs(np.linalg.norm(direction) - length), abs=1e-9
    )


def test_a_later_phase_misses_its_aim_by_the_residual_of_sight() -> None:
    copy, plan = disturbed(PLAN, ExecutionErrors(), normals(c8=1.0)), table_of([PLAN])
    assert np.linalg.norm(tips_mm(copy)[0, 1] - tips_mm(plan)[0, 1]) == pytest.approx(0.8, rel=0.02)
    assert tips_mm(copy)[0, 0] == pytest.approx(tips_mm(plan)[0, 0])


def test_entry_and_registration_move_every_pivot_alike() -> None:
    copy = disturbed(PLAN, ExecutionErrors(), normals(c0=1.0, c1=2.0, c2=1.0, c3=1.0, c4=-1.0))
    moved = pivots_level_mm(copy) - pivots_level_mm(table_of([PLAN]))
    assert moved[0] == pytest.approx(np.tile([1.5 + 0.7, 0.7, 3.0 - 0.7], (2, 1)))


def test_depth_moves_sleeve_and_tool_of_its_phase() -> None:
    copy, plan = disturbed(PLAN, ExecutionErrors(), normals(c10=2.0)), table_of([PLAN])
    for name in ("sleeve_past_mm", "tip_past_mm"):
        assert (getattr(copy, name) - getattr(plan, name)).tolist() == [[0.0, pytest.approx(2.0 * 0.4)]]


def test_samples_follow_their_records() -> None:
    errors = ExecutionErrors()
    table, plan = executed_approaches(PLAN, errors, SAMPLES, np.random.default_rng(4)), table_of([PLAN])
    shift = table.docking_mm - plan.docking_mm
    wide = np.hypot(errors.value("entry_sd_mm"), errors.value("registration_sd_mm"))
    tilts = np.stack([(table.medial_deg - plan.medial_deg)[:, 0], (table.cranial_deg - plan.cranial_deg)[:, 0]], axis=1)
    drawn = np.concatenate(
        [
            shift / [wide, errors.value("registration_sd_mm"), wide],
            tilts / errors.value("medial_tilt_sd_deg"),
            (table.tip_past_mm - plan.tip_past_mm) / errors.value("depth_sd_mm"),
        ],
        axis=1,
    )
    assert drawn.mean(axis=0) == pytest.approx(0.0, abs=LAW_TOL)
    assert np.cov(drawn.T) == pytest.approx(np.eye(7), abs=2 * LAW_TOL)


@pytest.mark.parametrize("guidance", GUIDANCES)
def test_a_trainee_strays_no_less_than_an_expert(guidance: str) -> None:
    expert, trainee = (execution_errors_of(guidance, who) for who in EXPERIENCES)
    assert all(trainee.value(name) >= expert.value(name) for name in expert.records)
    assert any(trainee.value(name) > expert.value(name) for name in expert.records)


def test_what_is_not_known_as_guidance_is_refused() -> None:
    with pytest.raises(WrongUse, match="navigated, fluoroscopy, free-hand"):
        execution_errors_of("luck", "expert")
    with pytest.raises(WrongUse, match="expert, trainee"):
        execution_errors_of("navigated", "nobody")


def test_the_seed_decides() -> None:
    first, same, other = (
        executed_approaches(PLAN, ExecutionErrors(), 5, np.random.default_rng(seed)) for seed in (1, 1, 2)
    )
    assert all(getattr(first, name).tobytes() == getattr(same, name).tobytes() for name in COLUMNS)
    assert not np.array_equal(first.docking_mm, other.docking_mm)


def test_errors_are_checked() -> None:
    with pytest.raises(WrongUse, match="0 or more"):
        ExecutionErrors().changed(entry_sd_mm=-1.0)
    with pytest.raises(WrongUse, match="must be among"):
        ExecutionErrors().changed(luck=1.0)
