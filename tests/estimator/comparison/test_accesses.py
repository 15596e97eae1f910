"""Ways in on their best plans: what both sides come to, shared samples, and a conclusion that follows the numbers."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest

from canalwise.estimator.approach.approach import placed_phases
from canalwise.estimator.approach.table import packed_phases
from canalwise.estimator.comparison.access_results import BOTH, MIDLINE, AccessComparison
from canalwise.estimator.comparison.accesses import compared_accesses
from canalwise.estimator.comparison.accesses_json import (
    cheapest,
    comparison_as_json,
    conclusion,
    difference95_mm3,
    ties_with,
)
from canalwise.estimator.comparison.paired_samples import both_entries, joined_plans, samples_of
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.planning.pivot_constraint import one_phase, repeated
from canalwise.estimator.search.strategies import SearchTask
from canalwise.recon.errors import WrongUse
from canalwise.recon.labels import SIDES
from canalwise.recon.serialization import json_text
from tests.workbench import toy

LEVEL = "L3-L4"


@cache
def prepared():
    return prepared_level(toy.anatomy(), LEVEL)


@cache
def compared():
    return compared_accesses(prepared(), SearchTask(budget=3000))


def way(name, total_mm3, samples):
    """A way in of which only the bone is known."""
    return SimpleNamespace(name=name, total_mm3=total_mm3, bone_mm3=np.asarray(samples, dtype=float))


def test_both_entries_place_each_phase_where_its_own_side_does():
    plans = [default_approach(toy.anatomy(), LEVEL, side) for side in SIDES]
    near = [one_phase(repeated(plan, 1), 0) for plan in plans]
    both = packed_phases(both_entries(near[0], near[1]))[0]
    # packed: pivot, axis, and the sizes of sleeve and tool of each phase
    assert np.allclose(both[0], packed_phases(near[0])[0, 0], atol=1e-4)
    assert np.allclose(both[1], packed_phases(near[1])[0, 0], atol=1e-4)


def test_a_plan_from_both_sides_is_placed_in_the_patient_as_its_two_halves():
    plans = [default_approach(toy.anatomy(), LEVEL, side) for side in SIDES]
    halves = [one_phase(repeated(plan, 1), 0).approach(0) for plan in plans]
    frame = prepared().level.frame
    whole = placed_phases(joined_plans(halves).approach(0), frame)
    for phase, half in zip(whole, halves, strict=True):
        (alone,) = placed_phases(half, frame)
        assert np.allclose(phase.pivot_ras_mm, alone.pivot_ras_mm)
        assert np.allclose(phase.axis_ras, alone.axis_ras)
        assert phase.tip_depth_mm == pytest.approx(alone.tip_depth_mm)
        assert phase.sleeve_depth_mm == pytest.approx(alone.sleeve_depth_mm)


def test_all_ways_are_there_and_the_laminectomy_takes_most():
    assert [w.name for w in compared().ways] == ["left", "right", BOTH, MIDLINE]
    assert max(compared().ways, key=lambda w: w.total_mm3).name == MIDLINE
    assert len(compared().way(BOTH).plans) == 2
    assert compared().way("neither") is None


def test_intervals_hold_the_number_they_are_of():
    for one in compared().ways:
        low, high = one.interval95_mm3
        assert low <= one.total_mm3 <= high


def test_every_way_meets_the_same_samples():
    one, other = (samples_of(prepared(), 3) for _ in range(2))
    assert (one.border_mm == other.border_mm).all()
    assert (one.execution_sampler_of["left"] == other.execution_sampler_of["left"]).all()
    assert (one.execution_sampler_of["left"] != one.execution_sampler_of["right"]).all()


def test_a_difference_is_narrower_than_its_parts_where_errors_are_shared():
    shared = np.random.default_rng(0).normal(0.0, 100.0, 2000)
    one, other = way("left", 500.0, 500.0 + shared), way("right", 600.0, 600.0 + shared)
    assert difference95_mm3(other, one) == pytest.approx((100.0, 100.0))
    assert not ties_with(other, one)


@pytest.mark.parametrize(
    ("total", "samples", "word"),
    [
        (600.0, np.full(100, 600.0), "right takes 100 mm3 more (95 %: 100 to 100)"),
        (510.0, np.full(100, 510.0), "right a tie, 10 mm3 more"),
        (600.0, np.linspace(400.0, 800.0, 101), "right a tie, 100 mm3 more (95 %: -90 to 290)"),
    ],
)
def test_the_conclusion_follows_the_numbers(total, samples, word):
    ways = (way("left", 500.0, np.full(len(samples), 500.0)), way("right", total, samples))
    reported = conclusion(AccessComparison(LEVEL, (), ways, False))
    assert reported.startswith("Least bone: left, 500 mm3; ")
    assert word in reported


def test_a_laminectomy_is_never_the_least():
    ways = (way("left", 500.0, [500.0]), way(MIDLINE, 100.0, [100.0]))
    assert cheapest(ways).name == "left"


def test_same_seed_same_bytes():
    again = compared_accesses(prepared(), SearchTask(budget=3000))
    assert json_text(comparison_as_json(again)) == json_text(comparison_as_json(compared()))


def test_a_target_of_one_side_only_cannot_be_compared():
    question = replace(SearchTask(budget=10), task=("contralateral foramen entrance",))
    with pytest.raises(WrongUse, match="must lie on both sides"):
        compared_accesses(prepared(), question)
