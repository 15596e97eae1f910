"""Moves of a plan: they go where requested, change what they must and keep what a person has set."""

from __future__ import annotations

import json
from dataclasses import asdict, replace

import numpy as np
import pytest

from canalwise.estimator.approach.approach import placed_phases
from canalwise.estimator.approach.search_bounds import INSTRUMENTS
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.planning.default_approach import default_approach, docking_point_mm
from canalwise.estimator.planning.skin_entry import skin_entry_of
from canalwise.recon.errors import WrongUse
from canalwise.recon.labels import Tissue
from canalwise.workbench.rehearsal.handlers.moves import ASKS, docked, entered
from canalwise.workbench.rehearsal.session.messages import read_as
from canalwise.workbench.rehearsal.session.request import RequestJob
from tests.workbench import toy
from tests.workbench.rehearsal import balls

LEVEL = "L3-L4"
ENTRY_TOL_MM = 0.01
SIDES = pytest.mark.parametrize(("side", "sign"), [("left", 1.0), ("right", -1.0)])


def with_skin():
    """The toy with air behind a back that slopes to the side and to the feet."""
    anatomy = toy.anatomy()
    x, y, z = np.moveaxis(toy.frame().to_level_mm(anatomy.grid.voxel_centres_mm()), -1, 0)
    labels = anatomy.labels.copy()
    labels[y > 34.0 - 0.1 * x + 0.08 * z] = Tissue.OUTSIDE
    return replace(anatomy, labels=labels, occupancy=np.where(labels == 0, 0, anatomy.occupancy).astype(np.float32))


@pytest.fixture(scope="module", params=["skin", "no skin"])
def prepared(request):
    return prepared_level(with_skin() if request.param == "skin" else toy.anatomy(), LEVEL)


def edited_plan(anatomy, side):
    """The usual start, then changed by hand in every way."""
    plan = default_approach(anatomy, LEVEL, side, INSTRUMENTS["9 mm"].channel)
    near, far = plan.phases
    near = replace(near, medial_tilt_deg=near.medial_tilt_deg + 3.0, sweep_half_angle_deg=2.5)
    far = replace(far, cranial_tilt_deg=far.cranial_tilt_deg - 2.0, tip_past_lamina_mm=far.tip_past_lamina_mm + 4.0)
    return replace(plan, phases=(near, far), pivot_distance_mm=plan.pivot_distance_mm - 5.0)


def entry_of(prepared, plan):
    return skin_entry_of(prepared.anatomy, plan, placed_phases(plan, prepared.level.frame)[0], prepared.air_in_view)


def numbers_of(plan):
    """Every number of a plan in a row."""
    return np.array(
        [v for p in plan.phases for v in (*list(asdict(p).values())[1:-1], *p.pivot_shift_mm)]
        + [*plan.docking_point_mm, plan.pivot_distance_mm]
    )


@SIDES
@pytest.mark.parametrize(("lateral_mm", "cranial_mm"), [(4.0, 0.0), (9.0, -6.0), (14.0, 5.0), (20.0, -12.0)])
def test_entry_is_where_it_was_requested(prepared, side, sign, lateral_mm, cranial_mm):
    moved = entered(prepared, edited_plan(prepared.anatomy, side), (lateral_mm, cranial_mm))
    found = entry_of(prepared, moved)
    assert (found.lateral_mm, found.cranial_mm) == pytest.approx((lateral_mm, cranial_mm), abs=ENTRY_TOL_MM)
    assert found.at == ("skin" if prepared.air_in_view else "pivot")
    assert sign * placed_phases(moved, prepared.level.frame)[0].pivot_ras_mm[0] < sign * toy.ORIGIN_RAS_MM[0]


@SIDES
def test_entry_keeps_instrument_sweeps_and_what_a_person_has_turned(prepared, side, sign):
    """Each phase keeps its angle off the axis the planner would take; so more lateral means more medially tilted."""
    plan = edited_plan(prepared.anatomy, side)
    own = entry_of(prepared, plan)
    moved = entered(prepared, plan, (own.lateral_mm + 6.0, own.cranial_mm))
    assert (moved.channel, moved.side, moved.level) == (plan.channel, plan.side, plan.level)
    for before, after in zip(plan.phases, moved.phases, strict=True):
        assert after.sweep_half_angle_deg == before.sweep_half_angle_deg
        assert after.medial_tilt_deg > before.medial_tilt_deg + 1.0
    first, second = (np.subtract(p.phases[1].pivot_shift_mm, p.phases[0].pivot_shift_mm) for p in (plan, moved))
    assert second == pytest.approx(first)


@SIDES
def test_entering_where_the_plan_enters_changes_nothing(prepared, side, sign):
    plan = edited_plan(prepared.anatomy, side)
    own = entry_of(prepared, plan)
    same = entered(prepared, plan, (own.lateral_mm, own.cranial_mm))
    assert numbers_of(same) == pytest.approx(numbers_of(plan), abs=ENTRY_TOL_MM)


@SIDES
def test_moving_the_entry_back_undoes_it(prepared, side, sign):
    plan = edited_plan(prepared.anatomy, side)
    own = entry_of(prepared, plan)
    there = entered(prepared, plan, (own.lateral_mm + 5.0, own.cranial_mm + 4.0))
    back = entered(prepared, there, (own.lateral_mm, own.cranial_mm))
    assert placed_phases(back, toy.frame())[0].pivot_ras_mm == pytest.approx(
        placed_phases(plan, toy.frame())[0].pivot_ras_mm, abs=0.3
    )
    tilts = [[(p.medial_tilt_deg, p.cranial_tilt_deg) for p in each.phases] for each in (back, plan)]
    assert np.array(tilts[0]) == pytest.approx(np.array(tilts[1]), abs=0.5)


@pytest.mark.parametrize("entry_mm", [(-1.0, 0.0), (61.0, 0.0), (10.0, 75.0), (10.0, -75.0)])
def test_entries_that_cannot_be_are_refused_with_what_to_do(prepared, entry_mm):
    with pytest.raises(WrongUse, match="skin entry") as refused:
        entered(prepared, edited_plan(prepared.anatomy, "left"), entry_mm)
    assert "other side" in refused.value.do


def test_entry_where_the_scan_shows_no_skin_is_refused():
    prepared = prepared_level(with_skin(), LEVEL)
    with pytest.raises(WrongUse, match="skin entry"):
        entered(prepared, edited_plan(prepared.anatomy, "left"), (40.0, -50.0))


@SIDES
def test_docking_where_the_plan_docks_changes_nothing(side, sign):
    anatomy = toy.anatomy()
    plan = default_approach(anatomy, LEVEL, side)
    turned = replace(plan, phases=edited_plan(anatomy, side).phases)
    for each in (plan, turned):
        assert numbers_of(docked(anatomy, each, np.array(plan.docking_point_mm))) == pytest.approx(numbers_of(each))


@SIDES
def test_planners_start_stays_one_wherever_it_is_docked(side, sign):
    """Docked elsewhere, the planner's own plan is what the planner makes from there."""
    anatomy, level = toy.anatomy(), toy.anatomy().levels[0]
    plan, radius = default_approach(anatomy, LEVEL, side), 4.0
    there = docked(anatomy, plan, np.array([sign * 9.0, 20.0, 6.0]))
    back = docked(anatomy, there, docking_point_mm(anatomy, level, side, radius))
    assert numbers_of(back) == pytest.approx(numbers_of(plan), abs=1e-6)
    assert there.docking_point_mm != plan.docking_point_mm


@SIDES
def test_sleeve_comes_to_rest_on_the_highest_bone_under_it(side, sign):
    """The toy's L3 lamina is a roof, y = 14 sqrt(1 - (x / 16)^2); 8 mm of sleeve meet its voxels to 3 mm medially."""
    plan = default_approach(toy.anatomy(), LEVEL, side)
    moved = docked(toy.anatomy(), plan, np.array([sign * 9.0, 30.0, 14.0]))
    x, y, z = moved.docking_point_mm
    assert (sign * x, z) == pytest.approx((9.0, 14.0))
    assert y == pytest.approx(14.0 * np.sqrt(1 - (6.0 / 16) ** 2), abs=1.0)  # voxels of 1 mm
    assert (moved.channel, [p.sweep_half_angle_deg for p in moved.phases]) == (
        plan.channel,
        [p.sweep_half_angle_deg for p in plan.phases],
    )


@pytest.mark.parametrize(("point", "words"), [((-9.0, 14.0, 6.0), "on the left"), ((9.0, 14.0, 60.0), "within 24 mm")])
def test_places_no_sleeve_can_dock_on_are_refused(point, words):
    with pytest.raises(WrongUse, match=words) as refused:
        docked(toy.anatomy(), default_approach(toy.anatomy(), LEVEL, "left"), np.array(point))
    assert refused.value.do


def answered(name, **fields):
    """The plan a page is answered with, its message read as the socket reads it."""
    session = balls.session_of(toy.anatomy(), toy.scan())
    ask = ASKS[name]
    message = read_as(ask.message, json.loads(json.dumps(fields)))
    return json.loads(json.dumps(ask.answer(session, message, RequestJob())))["plan"]


def as_sent(plan):
    return json.loads(json.dumps(asdict(plan)))


@pytest.mark.parametrize("instrument", list(INSTRUMENTS))
def test_start_is_the_planners_with_the_instrument_requested(instrument):
    channel = INSTRUMENTS[instrument].channel
    reported = answered("start", level=LEVEL, side="right", instrument=instrument)
    assert reported == as_sent(default_approach(toy.anatomy(), LEVEL, "right", channel))


def test_unknown_instrument_is_refused_with_those_there_are():
    with pytest.raises(WrongUse, match="12 mm"):
        answered("start", level=LEVEL, side="right", instrument="spoon")


def test_moves_answer_over_the_wire():
    plan = default_approach(toy.anatomy(), LEVEL, "left")
    at = as_sent(docked(toy.anatomy(), plan, np.array([9.0, 20.0, 6.0])))
    assert answered("dock", plan=as_sent(plan), point_mm=[9.0, 20.0, 6.0]) == at
    prepared = prepared_level(toy.anatomy(), LEVEL)
    through = as_sent(entered(prepared, plan, (12.0, -3.0)))
    assert answered("enter", plan=as_sent(plan), lateral_mm=12.0, cranial_mm=-3.0) == through
