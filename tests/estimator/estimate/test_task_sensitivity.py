"""The task's intervals, made of steps of each error alone, against exact answers for errors drawn all at once."""

import numpy as np
import pytest

from canalwise.estimator.approach.execution_errors import (
    TILT,
    ExecutionErrors,
    causes_of,
    disturbed,
    executed_approaches,
)
from canalwise.estimator.estimate.estimate import estimate
from canalwise.estimator.estimate.task_sensitivity import task_causes, task_cost_of, task_numbers, with_registration
from canalwise.estimator.interval import SD_OF_95, Interval
from canalwise.estimator.planning.default_approach import default_approach
from tests.workbench import toy

SAMPLES = 80
LEAST_HELD = 0.95 - 3 * np.sqrt(0.95 * 0.05 / SAMPLES)
"""Three standard errors below 95 %; the interval may hold more, for the larger step of each error counts."""


def test_steps_of_single_errors_hold_errors_drawn_together() -> None:
    found = estimate(toy.anatomy(), default_approach(toy.anatomy(), "L3-L4", "left"))
    causes = task_causes(found, ExecutionErrors())
    table = executed_approaches(found.approach, ExecutionErrors(), SAMPLES, np.random.default_rng(11))
    drawn = [task_numbers(task_cost_of(found, table.approach(row), 0.0)) for row in range(SAMPLES)]
    own = task_numbers(found.task)
    for name in ("bone_mm3", "undercut_frac", "bridge_mm"):
        values = np.array([numbers[name] for numbers in drawn])
        low, high = Interval(own[name], causes[name]).ends
        assert np.mean((values >= low) & (values <= high)) >= LEAST_HELD, name
        # and is no wider than four times what they do
        assert high - low <= 4 * np.ptp(np.quantile(values, (0.025, 0.975))), name


def test_registration_and_entry_share_what_a_shifted_pivot_does() -> None:
    found = estimate(toy.anatomy(), default_approach(toy.anatomy(), "L3-L4", "left"))
    errors = ExecutionErrors().changed(entry_sd_mm=1.2, registration_sd_mm=0.6)
    bone = task_causes(found, errors)["bone_mm3"]
    assert bone["entry"] == 2 * bone["registration"] > 0


def test_the_larger_of_a_step_up_and_a_step_down_counts() -> None:
    found = estimate(toy.anatomy(), default_approach(toy.anatomy(), "L3-L4", "left"))
    errors, names = ExecutionErrors(), causes_of(len(found.approach.phases))
    own = task_numbers(found.task)["bone_mm3"]

    def change_mm3(cause: int, sign: float) -> float:
        step = sign * SD_OF_95 * np.eye(len(names))[[cause]]
        moved = disturbed(found.approach, with_registration(errors), step).approach(0)
        return abs(task_numbers(task_cost_of(found, moved, 0.0))["bone_mm3"] - own)

    tilts = [n for n, name in enumerate(names) if name == TILT]
    up, down = (np.array([change_mm3(cause, sign) for cause in tilts]) for sign in (1.0, -1.0))
    assert (up > down).any()
    assert (down > up).any()
    expected = np.linalg.norm(np.maximum(up, down) / SD_OF_95)
    assert task_causes(found, errors)["bone_mm3"][TILT] == pytest.approx(expected)
