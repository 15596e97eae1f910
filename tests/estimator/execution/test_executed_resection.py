"""Execution of a planned resection: the plan without errors, the keep-out always, more bone and never more room."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.estimator.approach.execution_errors import ExecutionErrors, execution_errors_of
from canalwise.estimator.execution.executed_resection import NORMALS, displacement_of, executed_resection
from canalwise.estimator.outcome.decompressed import DecompressedLevel
from canalwise.estimator.resection.resection_level import Resection

EXECUTIONS = 4

SLACK_MM = 0.3
"""A line's distance is read along it in steps no wider."""


@pytest.fixture(scope="module")
def executed(found: DecompressedLevel) -> list[Resection]:
    """The plan as executed with errors, a few times."""
    errors, plan = execution_errors_of("free-hand", "expert"), found.resection
    rows = np.random.default_rng(7).standard_normal((EXECUTIONS, NORMALS))
    return [executed_resection(plan, displacement_of(plan.approach, errors, row)) for row in rows]


def test_an_execution_without_errors_carries_out_the_plan(found: DecompressedLevel) -> None:
    plan = found.resection
    same = executed_resection(plan, displacement_of(plan.approach, ExecutionErrors(), np.zeros(NORMALS)))
    assert np.array_equal(same.tips_mm, plan.tips_mm)
    assert np.array_equal(same.pivots_mm, plan.pivots_mm)
    assert np.array_equal(same.taken_frac, plan.taken_frac)
    assert np.array_equal(same.removal.share, plan.removal.share)


def test_every_line_gone_keeps_out_of_the_sac(executed: list[Resection]) -> None:
    for one in executed:
        keep_out = one.at.keep_out(one.approach.channel.tool_radius_mm)
        share = np.linspace(0.0, 1.0, 200)[:, None, None]
        points = one.pivots_mm + share * (one.tips_mm - one.pivots_mm)
        index = np.rint(keep_out.grid.index_of(one.at.level.frame.to_world_mm(points))).astype(int)
        inside = ((index >= 0) & (index < keep_out.distance_mm.shape)).all(axis=-1)
        away = keep_out.distance_mm[tuple(index[inside].T)]
        edge_mm = float(keep_out.grid.spacing_mm.max())
        assert away.min() >= keep_out.clearance_radius_mm - edge_mm - SLACK_MM


def test_strays_free_no_more_than_the_plan_and_pivots_move_alike(
    found: DecompressedLevel, executed: list[Resection]
) -> None:
    plan = found.resection
    planned = {tuple(np.round(pivot, 6)) for pivot in plan.window.pivots_mm}
    for one in executed:
        moved = one.window.pivots_mm - plan.window.pivots_mm
        assert np.ptp(moved, axis=0) == pytest.approx(0.0, abs=1e-9)
        assert tuple(np.round(one.pivots_mm[0], 6)) not in planned
        wanted = plan.at.wanted
        assert wanted.mm3 @ one.taken_frac <= wanted.mm3 @ plan.taken_frac * 1.05


def test_bone_grows_on_the_mean(found: DecompressedLevel, executed: list[Resection]) -> None:
    bone = [one.removal.total_mm3 for one in executed]
    assert np.ptp(bone) > 0
    assert max(bone) > found.resection.removal.total_mm3


def test_the_tip_of_a_place_of_work_strays_as_one(found: DecompressedLevel) -> None:
    plan, row = found.resection, np.zeros(NORMALS)
    row[7] = 1.0
    displacement = displacement_of(plan.approach, ExecutionErrors(), row)
    assert displacement.residual_mm[0].tolist() == [pytest.approx(ExecutionErrors().value("sight_sd_mm")), 0.0, 0.0]
    assert not displacement.residual_mm[1:].any()
    assert not displacement.pivot_mm.any()
