"""Laws of a resection's intervals and chances: nothing from nothing, wider for larger errors, inside what can be."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.approach.execution_errors import ExecutionErrors, execution_errors_of
from canalwise.estimator.estimate.estimate_json import plain
from canalwise.estimator.execution.border_causes import MR_ALONE, MR_BONE_FRAC, STRUCTURE_MM3
from canalwise.estimator.execution.resection_intervals import resection_intervals
from canalwise.estimator.execution.resection_numbers import BONE_MM3, FREED
from canalwise.estimator.execution.uncertain_json import uncertain_as_json
from canalwise.estimator.execution.uncertainty_values import EXECUTION, ExecutionTrial, ResectionIntervals
from canalwise.estimator.level.border_uncertainty import SPACING
from canalwise.estimator.limits import Limits
from canalwise.estimator.outcome.decompressed import DecompressedLevel
from canalwise.recon.errors import WrongUse
from canalwise.recon.modality import FROM_MR_ALONE

NO_ERROR = ExecutionErrors().changed(**dict.fromkeys(ExecutionErrors().records, 0.0))
SAMPLES = 6


@pytest.fixture(scope="module")
def usual(found: DecompressedLevel) -> ResectionIntervals:
    """With the usual errors."""
    return resection_intervals(found, ExecutionTrial(SAMPLES))


@pytest.fixture(scope="module")
def still(found: DecompressedLevel) -> ResectionIntervals:
    """Without execution errors."""
    return resection_intervals(found, ExecutionTrial(SAMPLES, 0, NO_ERROR))


def test_without_execution_errors_only_borders_are_left(still: ResectionIntervals) -> None:
    assert all(EXECUTION not in interval.sd_by_cause for interval in still.intervals.values())
    # the joint's limits are far away and the canal is wide: nothing can fail
    assert still.chances.limits["ipsilateral facet area kept"] == 1.0


def test_intervals_hold_the_plan_and_lie_inside_what_can_be(usual: ResectionIntervals) -> None:
    for name, interval in usual.intervals.items():
        if interval.sd_by_cause:
            low, high = interval.ends
            assert low - 1e-9 <= interval.value <= high + 1e-9, name
            assert interval.least <= low, name
            assert high <= interval.most, name
    low, high = usual.intervals[BONE_MM3].ends
    value = usual.intervals[BONE_MM3].value
    assert high - value > value - low, "an execution takes more than the least bone, seldom less"
    assert usual.intervals[FREED].ends[1] <= 1.0


def test_a_less_exact_execution_is_less_sure(found: DecompressedLevel, usual: ResectionIntervals) -> None:
    trainee = resection_intervals(found, ExecutionTrial(SAMPLES, 0, execution_errors_of("free-hand", "trainee")))
    for name in (BONE_MM3, FREED):
        assert trainee.intervals[name].sd_by_cause[EXECUTION] > usual.intervals[name].sd_by_cause[EXECUTION]
    assert trainee.chances.freed <= usual.chances.freed


def test_the_seed_decides(found: DecompressedLevel, usual: ResectionIntervals) -> None:
    again = resection_intervals(found, ExecutionTrial(SAMPLES))
    other = resection_intervals(found, ExecutionTrial(SAMPLES, 1))
    first, same, another = (
        json.dumps(plain(uncertain_as_json(found, found_again, False)), default=str)
        for found_again in (usual, again, other)
    )
    assert first == same
    assert first != another


def test_chances_fall_to_nothing_where_a_limit_cannot_be_kept(found: DecompressedLevel) -> None:
    strict = Limits().changed(spinous_bridge_mm=1000.0)
    doomed = DecompressedLevel(replace(found.prepared, limits=strict), found.resection)
    found_again = resection_intervals(doomed, ExecutionTrial(2, 0, NO_ERROR)).chances
    assert (found_again.kept, found_again.both) == (0.0, 0.0)
    assert not doomed.verdict.kept


def test_a_joint_that_was_not_resolved_has_no_number_no_interval_and_no_chance(found: DecompressedLevel) -> None:
    level = found.prepared.level
    joints = level.joints | {"left": replace(level.joints["left"], gap_resolved=False)}
    unsure = replace(found.prepared, level=replace(level, joints=joints))
    found_again = DecompressedLevel(unsure, found.resection)
    reported = resection_intervals(found_again, ExecutionTrial(2, 0, NO_ERROR))
    document = uncertain_as_json(found_again, reported, False)
    assert document["resection"]["facet_preserved"]["ipsilateral"] is None
    assert "touch" in document["resection"]["facet_unresolved"]["ipsilateral"]
    assert (document["chances"]["kept"], document["chances"]["both"]) == (None, None)
    assert "could be measured" in found_again.verdict.sentence or not found_again.verdict.freed
    assert not any(name.startswith("left area_frac") for name in reported.intervals)


def test_what_one_structure_gets_too_much_another_gets_too_little(still: ResectionIntervals) -> None:
    """Voxels blur the bone of each structure by a few mm3, by no more than is taken of it, and all bone not at all."""
    parts = {name: one for name, one in still.intervals.items() if name.endswith(", mm3") and one.value > 0}
    assert parts
    for one in parts.values():
        assert one.sd_by_cause[SPACING] == pytest.approx(min(STRUCTURE_MM3.value, one.value))
    assert SPACING not in still.intervals[BONE_MM3].sd_by_cause


def test_amounts_of_bone_are_less_sure_from_an_mr_alone(found: DecompressedLevel, still: ResectionIntervals) -> None:
    anatomy = replace(found.prepared.anatomy, warnings=(FROM_MR_ALONE,))
    unsure = DecompressedLevel(replace(found.prepared, anatomy=anatomy), found.resection)
    reported = resection_intervals(unsure, ExecutionTrial(SAMPLES, 0, NO_ERROR)).intervals
    assert reported[BONE_MM3].sd_by_cause[MR_ALONE] == pytest.approx(MR_BONE_FRAC.value * reported[BONE_MM3].value)
    assert MR_ALONE not in still.intervals[BONE_MM3].sd_by_cause
    assert reported[BONE_MM3].ends[1] > still.intervals[BONE_MM3].ends[1]
    assert reported[FREED].sd_by_cause.keys() == still.intervals[FREED].sd_by_cause.keys()


def test_the_json_tells_every_interval_beside_its_number(found: DecompressedLevel, usual: ResectionIntervals) -> None:
    document = uncertain_as_json(found, usual, False)
    resection, freed = document["resection"], document["freed"]["interval95"]
    assert resection["bone_removed_mm3"]["interval95"] == list(usual.intervals[BONE_MM3].ends)
    assert resection["contralateral_reach"]["interval95"] is not None
    assert None not in (freed["share"], freed["least_area_after_mm2"])
    assert set(document["chances"]) >= {"freed", "kept", "both", "executions"}
    assert all("chance" in check for check in resection["limits"])
    assert 0.0 <= document["verdict"]["chance"] <= 1.0
    bare = uncertain_as_json(found, None, False)
    assert bare["chances"] == {"freed": None, "kept": None, "both": None}


def test_trials_are_checked() -> None:
    with pytest.raises(WrongUse, match="must be from 1"):
        ExecutionTrial(0)
    with pytest.raises(WrongUse, match="0 or more"):
        ExecutionTrial(1, -1)


def test_bounds_are_drawn(usual: ResectionIntervals) -> None:
    shares = [i for name, i in usual.intervals.items() if name.endswith("frac") and i.sd_by_cause]
    assert all(0.0 <= end <= 1.0 for interval in shares for end in interval.ends)
    assert all(np.isfinite(interval.ends).all() for interval in shares)
