"""Searching: the space, what comes first, the same answer from the same seed, and an early end."""

from __future__ import annotations

import os
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.approach.search_bounds import (
    BOUNDS,
    ENTRY_LATERAL_MM,
    INSTRUMENTS,
    PHASE_BOUNDS,
    Bound,
    instruments_named,
)
from canalwise.estimator.decompression.rules import ResectionRules
from canalwise.estimator.execution.resection_intervals import resection_intervals
from canalwise.estimator.execution.resection_numbers import BONE_MM3
from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.planning.default_approach import default_approach, docking_point_mm
from canalwise.estimator.planning.entry_plans import entry_of
from canalwise.estimator.resection.resection import level_for, resection_level_of
from canalwise.estimator.resection.resection_level import ResectionLevel, with_set
from canalwise.estimator.search.best_approach import rank, same_plan, search
from canalwise.estimator.search.search_json import search_as_json
from canalwise.estimator.search.search_space import DIMENSIONS, SearchSpace
from canalwise.estimator.search.search_task import SearchTask
from canalwise.recon.errors import AnatomyNotFound, WrongUse
from canalwise.recon.labels import SIDES
from canalwise.recon.serialization import json_text
from tests.workbench import toy

LEVEL, BUDGET = "L3-L4", 60


@cache
def prepared() -> PreparedLevel:
    return prepared_level(toy.pressed_anatomy(), LEVEL)


@cache
def hopeless() -> ResectionLevel:
    """The far recess lies behind the sac for straight instruments with a short bite."""
    at = resection_level_of(prepared_level(toy.pressed_anatomy(-2.0), LEVEL))
    return replace(at, rules=at.rules.changed(bite_mm=2.0))


@cache
def space(side="left") -> SearchSpace:
    return SearchSpace(prepared(), side, Channel())


@cache
def found(side=None, breadth="with recesses"):
    sides = SIDES if side is None else (side,)
    return search(prepared(), SearchTask(sides=sides, budget=BUDGET, breadth=breadth))


def some_units(count=64, seed=0):
    return np.random.default_rng(seed).random((count, DIMENSIONS))


def test_every_bound_says_where_it_comes_from():
    for bound in (*BOUNDS.values(), *PHASE_BOUNDS.values(), ENTRY_LATERAL_MM, *INSTRUMENTS.values()):
        assert bound.source
        assert bound.evidence in ("READ", "CALC", "MEM", "PRACTICE")
    with pytest.raises(WrongUse, match="must not end below"):
        Bound(2.0, 1.0, "mm", "", "MEM")


def test_tilts_are_bounded_as_the_entry_window_is():
    rules = ResectionRules()
    medial, cranial = BOUNDS["medial_tilt_deg"], BOUNDS["cranial_tilt_deg"]
    assert medial.low == rules.value("least_medial_tilt_deg")
    assert medial.high == rules.value("greatest_medial_tilt_deg")
    assert cranial.high == -cranial.low == rules.value("greatest_cranial_tilt_deg")


@pytest.mark.parametrize("side", SIDES)
def test_the_usual_plan_lies_within_the_bounds(side):
    entry = entry_of(default_approach(prepared().anatomy, LEVEL, side))
    assert BOUNDS["medial_tilt_deg"].low <= entry.medial_tilt_deg <= BOUNDS["medial_tilt_deg"].high
    assert BOUNDS["cranial_tilt_deg"].low <= entry.cranial_tilt_deg <= BOUNDS["cranial_tilt_deg"].high


def test_instruments_by_name():
    assert instruments_named("9mm")["9 mm"].sleeve_diameter_mm == 9.0
    with pytest.raises(WrongUse, match="8 mm, 9 mm, 12 mm, any"):
        instruments_named("shovel")


@pytest.mark.parametrize("side", SIDES)
def test_coordinates_run_through_the_bounds(side):
    middle = np.full(DIMENSIONS, 0.5)
    units = np.stack([middle, middle])
    units[:, [0, 3]] = [[0.0, 0.0], [1.0, 1.0]]
    plans = space(side).approaches(units)
    toward = 1.0 if side == "left" else -1.0
    assert [toward * plan.docking_point_mm[0] for plan in plans] == pytest.approx([5.0, 18.0])
    assert [entry_of(plan).medial_tilt_deg for plan in plans] == pytest.approx([-10.0, 35.0])
    assert [entry_of(plan).cranial_tilt_deg for plan in plans] == pytest.approx([0.0, 0.0], abs=1e-9)


def test_wrong_number_of_coordinates_is_refused():
    with pytest.raises(WrongUse, match="columns"):
        space().approaches(np.zeros((2, DIMENSIONS + 1)))


def test_a_plan_has_the_coordinates_it_was_made_from():
    units = some_units(8)
    again = np.array([space().unit_of(plan) for plan in space().approaches(units)])
    assert np.allclose(again, units, atol=1e-6)


def test_a_sleeve_rests_where_the_usual_plan_lowers_it():
    usual = docking_point_mm(toy.anatomy(), prepared().level, "left", 4.0)
    docking = space().docking
    cranial = (usual - docking.centre_mm) @ docking.cranial
    ours = docking.points_mm(np.array([usual[0]]), np.array([cranial]))[0]
    # on a map of 1 mm cells, and bone of 1 mm voxels
    assert np.abs(ours - usual).max() <= 2.0


def candidate(freed, kept, weighted, share):
    """A plan of which only its numbers are known."""
    verdict = SimpleNamespace(freed=freed, kept=kept)
    broken = () if kept else ("pars",)
    numbers = SimpleNamespace(verdict=verdict, weighted_mm3=weighted, least_freed_frac=share, broken=broken,
                              good=freed and kept)  # fmt: skip
    return SimpleNamespace(numbers=numbers)


plans = st.builds(
    lambda kept, weighted, share: candidate(share >= 0.9, kept, weighted, share),
    st.booleans(), st.floats(0, 5000), st.floats(0, 1),
)  # fmt: skip


@given(st.lists(plans, min_size=1, max_size=20))
def test_no_plan_that_frees_too_little_beats_one_that_frees_enough_within_limits(many):
    best = min(many, key=rank).numbers
    good = [one.numbers for one in many if one.numbers.good]
    assert best.good == bool(good)
    if good:
        assert best.weighted_mm3 == min(one.weighted_mm3 for one in good)
    elif any(one.numbers.verdict.kept for one in many):
        assert best.verdict.kept
        assert best.least_freed_frac == max(one.numbers.least_freed_frac for one in many if one.numbers.verdict.kept)


def test_the_best_is_what_an_estimate_of_its_plan_says():
    best = found().best
    estimated = decompressed(prepared(), best.approach)
    again = estimated.numbers
    assert again.verdict == best.numbers.verdict
    assert again.bone_mm3 == best.numbers.bone_mm3
    assert again.freed_by_side == best.numbers.freed_by_side
    executed = resection_intervals(estimated)
    assert best.chance.bone95_mm3 == executed.intervals[BONE_MM3].ends
    assert best.chance.freed == executed.chances.freed


def test_the_best_is_no_worse_than_the_usual_plan():
    usual = [decompressed(prepared(), default_approach(prepared().anatomy, LEVEL, s)).numbers for s in SIDES]
    best = rank(SimpleNamespace(numbers=found().best.numbers))
    assert all(best <= rank(SimpleNamespace(numbers=one)) for one in usual)


def test_the_best_frees_enough_and_gains_area():
    best = found().best.numbers
    assert best.good
    assert best.least_freed_frac >= 0.9
    assert best.at_disc_area_mm2["after"] > best.at_disc_area_mm2["before"]
    assert search_as_json(found())["reason"].startswith("From the ")


def test_where_nothing_frees_enough_that_is_said_first_and_the_most_freed_shown():
    answer = search(prepared_level(toy.pressed_anatomy(-2.0), LEVEL), SearchTask(budget=BUDGET), at=hopeless())
    best, shown = answer.best.numbers, answer.pareto
    assert not best.verdict.freed
    assert best.verdict.kept
    assert best.least_freed_frac >= max(one.numbers.least_freed_frac for one in shown)
    assert search_as_json(answer)["reason"].startswith("NOT FREED: no plan found frees 90 %")


def test_a_narrower_room_costs_no_more():
    plans = space("left").approaches(some_units(4, seed=3))
    central, broader = (
        [decompressed(prepared(), plan, level_for(prepared(), breadth)).numbers for plan in plans]
        for breadth in ("central", "with foramen")
    )
    for narrow, broad in zip(central, broader, strict=True):
        assert narrow.weighted_mm3 <= broad.weighted_mm3


def test_mirrored_sides_have_mirrored_plans():
    left, right = (found(side).best for side in SIDES)
    # the toy is the same on both sides but for the voxels of its mid-plane
    mirrored = np.array(left.approach.docking_point_mm) * (-1, 1, 1)
    assert np.allclose(mirrored, right.approach.docking_point_mm, atol=3.0)
    # lines fall on other lattice places, and the few hundred mm3 of a toy are a few bites
    assert left.numbers.bone_mm3 == pytest.approx(right.numbers.bone_mm3, rel=0.2)
    assert left.numbers.least_freed_frac == pytest.approx(right.numbers.least_freed_frac, abs=0.05)


def test_the_runner_up_is_another_plan_and_no_better():
    runner_up, best = found().runner_up, found().best
    assert not same_plan(runner_up.candidate, best.candidate)
    assert rank(best.candidate) <= rank(runner_up.candidate)


def test_the_robust_pick_is_the_likeliest_of_those_tried():
    assert found().robust.chance.both >= found().best.chance.both
    assert 0.0 <= found().robust.chance.freed <= 1.0


def test_same_seed_same_bytes_whatever_the_processors():
    one = json_text(search_as_json(found()))
    all_of_them = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {min(all_of_them)})
    try:
        other = json_text(search_as_json(search(prepared(), SearchTask(budget=BUDGET))))
    finally:
        os.sched_setaffinity(0, all_of_them)
    assert one == other


def test_the_front_frees_more_for_more_bone():
    document = search_as_json(found())
    bone = [row["bone_removed_mm3"] for row in document["pareto"]]
    freed = [row["freed_frac"] for row in document["pareto"]]
    assert bone == sorted(bone)
    assert freed == sorted(freed)
    assert set(document["bounds"]) == {*BOUNDS, "entry_lateral_mm"}
    assert document["evaluated"] >= document["exact"]


def test_an_interrupt_ends_with_the_best_so_far():
    done = []

    def interrupted(more):
        done.append(more)
        if sum(done) > 20:
            raise KeyboardInterrupt

    answer = search(prepared(), SearchTask(budget=10_000), interrupted)
    assert answer.stopped
    assert answer.evaluated < 200
    assert answer.best.numbers.bone_mm3 > 0


def test_an_interrupt_before_anything_is_known_stays_one(monkeypatch):
    monkeypatch.setattr("canalwise.estimator.search.exploration.coarse_resections", _interrupt)
    with pytest.raises(KeyboardInterrupt):
        search(prepared(), SearchTask(budget=100))


def _interrupt(*_):
    raise KeyboardInterrupt


@pytest.mark.parametrize(
    ("wrong", "word"), [({"budget": 0}, "budget"), ({"seed": -1}, "seed"), ({"breadth": "floor"}, "with recesses"),
                        ({"sides": ()}, "side")]
)  # fmt: skip
def test_wrong_questions_are_refused(wrong, word):
    with pytest.raises(WrongUse, match=word):
        SearchTask(**wrong)


def test_a_level_without_ligament_is_said_to_be_one():
    with pytest.raises(AnatomyNotFound, match="ligament"):
        search(prepared_level(toy.anatomy(), LEVEL), SearchTask(budget=10))


def test_where_nothing_presses_no_bone_goes():
    at = resection_level_of(prepared())
    far_out = replace(at.wanted, level_mm=at.wanted.level_mm + 100.0).half("right")
    assert not len(far_out.voxels)
    answer = search(prepared(), SearchTask(budget=20), at=with_set(at, far_out))
    assert answer.best.numbers.good
    assert answer.best.numbers.bone_mm3 == 0.0
    assert search_as_json(answer)["reason"].startswith("Nothing presses")


def test_a_side_that_cannot_be_docked_on_is_said_to_be_one():
    level = replace(prepared().level, windows={}, landmarks_ras_mm={})
    with pytest.raises(AnatomyNotFound, match="interlaminar window"):
        search(replace(prepared(), level=level), SearchTask(budget=10))
