"""Accesses on their best plans: what both sides come to, and a conclusion that never praises what frees too little."""

from __future__ import annotations

from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest

from canalwise.estimator.approach.approach import placed_phases
from canalwise.estimator.approach.table import packed_phases
from canalwise.estimator.comparison.access_results import BOTH, MIDLINE, AccessComparison, reference, winner
from canalwise.estimator.comparison.accesses import compared_accesses
from canalwise.estimator.comparison.accesses_json import (
    comparison_as_json,
    conclusion,
    difference95_mm3,
    ties_with,
)
from canalwise.estimator.comparison.paired_samples import both_entries, joined_plans, samples_of
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.planning.pivot_constraint import one_phase, repeated
from canalwise.estimator.search.search_task import SearchTask
from canalwise.recon.labels import SIDES
from tests.workbench import toy

LEVEL, BUDGET = "L3-L4", 60


@cache
def prepared():
    return prepared_level(toy.pressed_anatomy(), LEVEL)


@cache
def compared():
    return compared_accesses(prepared(), SearchTask(budget=BUDGET, breadth="central"))


def access(name, total_mm3, samples, freed_frac=0.95, broken=()):
    """An access of which only bone, what is freed and what is broken are known."""
    verdict = SimpleNamespace(freed=freed_frac >= 0.9, kept=not broken)
    numbers = SimpleNamespace(least_freed_frac=freed_frac, broken=broken, verdict=verdict, weighted_mm3=total_mm3,
                              good=verdict.freed and verdict.kept)  # fmt: skip
    bone = np.asarray(samples, dtype=float)
    return SimpleNamespace(name=name, total_mm3=total_mm3, bone_mm3=bone, numbers=numbers)


def conclusion_of(*accesses):
    """The conclusion over some accesses."""
    return conclusion(AccessComparison(LEVEL, "with recesses", 0.9, accesses, False))


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


def test_all_accesses_are_there_and_the_laminectomy_takes_and_frees_most():
    accesses = compared().accesses
    assert [w.name for w in accesses] == ["left", "right", BOTH, MIDLINE]
    assert max(accesses, key=lambda w: w.total_mm3).name == MIDLINE
    assert compared().access(MIDLINE).numbers.least_freed_frac >= 0.99
    assert len(compared().access(BOTH).plans) == 2
    assert compared().access("neither") is None


def test_the_accesses_are_held_against_the_same_room():
    needed = {round(w.numbers.at_disc_area_mm2["needed"], 6) for w in compared().accesses}
    before = {round(w.numbers.at_disc_area_mm2["before"], 6) for w in compared().accesses}
    assert len(needed) == len(before) == 1


def test_what_wins_gains_area():
    best = winner(compared().accesses)
    assert best is not None
    assert best.numbers.at_disc_area_mm2["after"] > best.numbers.at_disc_area_mm2["before"]
    assert best.numbers.least_freed_frac >= 0.9


def test_both_sides_free_each_half_and_take_what_both_take():
    both = compared().access(BOTH).numbers
    assert set(both.freed_by_side) == set(SIDES)
    assert sum(both.by_structure_mm3.values()) == pytest.approx(both.bone_mm3)
    assert both.verdict.sentence.endswith("all limits kept") or not both.verdict.kept


def test_intervals_hold_the_number_they_are_of():
    for one in compared().accesses:
        low, high = one.interval95_mm3
        assert low <= one.total_mm3 <= high


def test_no_interval_is_claimed_where_no_execution_is_simulated():
    for row in comparison_as_json(compared())["rows"]:
        assert (row["interval95"] is None) == (row["name"] == MIDLINE)


def test_every_pinned_plan_meets_the_same_samples():
    one, other = (samples_of(prepared(), 3) for _ in range(2))
    assert (one.border_mm == other.border_mm).all()
    assert (one.execution_normals_of["left"] == other.execution_normals_of["left"]).all()
    assert (one.execution_normals_of["left"] != one.execution_normals_of["right"]).all()


def test_a_difference_is_narrower_than_its_parts_where_errors_are_shared():
    shared = np.random.default_rng(0).normal(0.0, 100.0, 2000)
    one, other = access("left", 500.0, 500.0 + shared), access("right", 600.0, 600.0 + shared)
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
    reported = conclusion_of(access("left", 500.0, np.full(len(samples), 500.0)), access("right", total, samples))
    assert reported.startswith("Least bone that frees 90 % on each side: left, 500 mm3; ")
    assert word in reported


def test_what_frees_too_little_never_wins_and_is_no_tie():
    good, cheap = access("left", 900.0, [900.0]), access("right", 200.0, [200.0], freed_frac=0.4)
    breaking = access(BOTH, 300.0, [300.0], broken=("pars width remaining",))
    assert winner((cheap, breaking, good)) is good
    reported = conclusion_of(cheap, breaking, good)
    assert reported.startswith("Least bone that frees 90 % on each side: left, 900 mm3; right frees 40 %, for 700 mm3")
    assert "both sides frees enough and breaks pars width remaining" in reported


def test_where_none_frees_enough_that_is_said_first():
    accesses = (access("left", 500.0, [500.0], 0.7), access("right", 200.0, [200.0], 0.6), access(MIDLINE, 9e3, [9e3]))
    assert winner(accesses) is None
    assert reference(accesses).name == "left"
    assert conclusion_of(*accesses).startswith(
        "No access through a channel frees 90 % on each side within the limits; left frees 70"
    )


def test_a_laminectomy_is_never_the_least():
    accesses = (access("left", 500.0, [500.0]), access(MIDLINE, 100.0, [100.0]))
    assert reference(accesses).name == winner(accesses).name == "left"


def test_structures_are_reported_by_the_patients_side_and_sum_to_the_whole():
    document = comparison_as_json(compared())
    for row in document["rows"]:
        assert sum(row["bone_by_structure_mm3"].values()) == pytest.approx(row["bone_removed_mm3"])
        assert not any("lateral" in name for name in row["bone_by_structure_mm3"])
