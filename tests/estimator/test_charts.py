"""Charts hold what exact estimates of their plans say, judge them as verdicts do, and round-trip through files."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.approach.approach import placed_phases
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.charts.all_charts import charts_of
from canalwise.estimator.charts.entry_map import entry_map, entry_map_of_json
from canalwise.estimator.charts.instrument_chart import instrument_chart, instrument_chart_of_json, with_diameter
from canalwise.estimator.charts.tilt_chart import tilt_chart, tilt_chart_of_json, tilted_plans
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.planning.entry_plans import entry_of
from canalwise.estimator.planning.pivot_constraint import repeated, with_depths
from canalwise.estimator.planning.skin_entry import skin_entry_of
from canalwise.recon.errors import AnatomyNotFound, BadFile, WrongUse
from canalwise.recon.serialization import json_text
from tests.workbench import toy

ENOUGH_FRAC = 0.9

ENTRY_TOL_MM = 2.5
"""The planner turns the first axis toward the near recess, so the plan leaves the skin a little off its entry."""

SHOWN = {"sleeve": (8.0, 14.0), "tool": (3.5, 8.0)}
TILTS_DEG = np.array([-10.0, 0.0, 10.0, 20.0, 30.0])


@pytest.fixture(scope="module")
def prepared():
    return prepared_level(toy.pressed_anatomy(), "L3-L4")


@pytest.fixture(scope="module")
def plan(prepared):
    return default_approach(prepared.anatomy, "L3-L4", "left")


@pytest.fixture(scope="module")
def tilts(prepared, plan):
    return tilt_chart(prepared, plan, TILTS_DEG)


@pytest.fixture(scope="module")
def entries(prepared, plan):
    return entry_map(prepared, plan, step_mm=10.0)


@pytest.fixture(scope="module")
def instruments(prepared, plan):
    return instrument_chart(prepared, plan, SHOWN)


def numbers_of(prepared, approach):
    return decompressed(prepared, approach).numbers


def test_each_tilt_is_that_plan_alone(prepared, plan, tilts):
    plans = tilted_plans(prepared.level, plan, tilts.medial_tilt_deg)
    assert plans[tilts.plan] == plan
    assert (np.diff(tilts.medial_tilt_deg) > 0).all()
    for row in (0, tilts.plan):
        alone = numbers_of(prepared, plans[row])
        assert tilts.numbers.bone_mm3[row] == alone.bone_mm3
        assert tilts.numbers.freed_frac["ipsilateral"][row] == alone.freed_by_side["left"]
        assert tilts.numbers.freed_frac["contralateral"][row] == alone.freed_by_side["right"]
        assert tilts.numbers.facet_area_frac["ipsilateral"][row] == alone.facet_area_frac["left"]
        assert tilts.feasible[row] == alone.good


def test_tilting_turns_the_pivot_about_the_docking_point(prepared, plan):
    own = entry_of(plan)
    for tilt, other in zip(TILTS_DEG, tilted_plans(prepared.level, plan, TILTS_DEG), strict=True):
        entry = entry_of(other)
        assert other.docking_point_mm == plan.docking_point_mm
        assert entry.distance_mm == pytest.approx(own.distance_mm)
        assert (entry.medial_tilt_deg, entry.cranial_tilt_deg) == pytest.approx((tilt, own.cranial_tilt_deg))


def test_structures_sum_to_the_whole(tilts):
    assert np.sum(list(tilts.numbers.structure_mm3.values()), axis=0) == pytest.approx(tilts.numbers.bone_mm3)


def test_bands_hold_the_tilts_that_free_enough_within_limits_and_no_others(tilts):
    inside = np.zeros(len(tilts.numbers), dtype=bool)
    for low, high in tilts.bands_deg:
        inside |= (tilts.medial_tilt_deg >= low) & (tilts.medial_tilt_deg <= high)
    assert (inside == tilts.feasible).all()
    assert tilts.bands_deg
    assert not tilts.feasible.all()
    assert (tilts.numbers.least_freed_frac[inside] >= ENOUGH_FRAC).all()
    assert all(tilts.numbers.broken[row] == "" for row in np.flatnonzero(inside))


def test_a_straighter_entry_frees_less_of_the_far_side(tilts):
    """Common practice, no source: without leaning across, the far side stays behind the sac."""
    far = tilts.numbers.freed_frac["contralateral"]
    assert far[0] < far[tilts.plan]


def test_each_entry_is_the_plan_it_stands_for(prepared, entries):
    row, column = entries.best_place
    first = placed_phases(entries.best, prepared.level.frame)[0]
    entry = skin_entry_of(prepared.anatomy, entries.best, first, prepared.air_in_view)
    assert entry.at == entries.at
    by_relation = (entry.lateral_mm, entry.cranial_mm)
    assert by_relation == pytest.approx((entries.lateral_mm[column], entries.cranial_mm[row]), abs=ENTRY_TOL_MM)
    alone = numbers_of(prepared, entries.best)
    assert alone.good
    assert alone.bone_mm3 == entries.bone_mm3[row, column]


def test_an_entry_succeeds_or_says_why_not(entries):
    success = np.isfinite(entries.bone_mm3)
    assert success.any()
    assert not success.all()
    assert ((entries.reason == -1) == success).all()
    assert entries.exact[success].all()
    assert (entries.freed_frac[success] >= ENOUGH_FRAC).all()
    assert set(np.unique(entries.reason[~success])) == set(range(len(entries.reasons)))
    assert all(reason.startswith(("limit: ", "frees too little on the ")) for reason in entries.reasons)
    assert len(entries.plans) == entries.bone_mm3.size


def test_thicker_instruments_free_no_more_and_the_plans_own_is_the_plan(prepared, plan, instruments):
    for curve in instruments.curves:
        freed = curve.held.least_freed_frac
        assert freed[-1] <= freed[0] + 0.02
        own = int(np.flatnonzero(curve.diameter_mm == curve.plan_mm)[0])
        assert curve.held.bone_mm3[own] == numbers_of(prepared, plan).bone_mm3
        assert len(curve.best_plans) == len(curve.diameter_mm)


def test_an_instrument_stops_where_none_thicker_succeeds(instruments):
    for curve in instruments.curves:
        if curve.stops_mm is None:
            assert curve.best_feasible[-1] or not curve.best_feasible.any()
        else:
            stop = int(np.searchsorted(curve.diameter_mm, curve.stops_mm))
            assert curve.best_feasible[stop - 1]
            assert not curve.best_feasible[stop:].any()


def test_what_does_not_fit_is_made_thinner():
    thin = with_diameter(Channel(), "sleeve", 3.0)
    assert (thin.sleeve_diameter_mm, thin.scope_diameter_mm, thin.tool_diameter_mm) == (3.0, 3.0, 3.0)


@pytest.mark.parametrize(
    ("fixture", "reader"),
    [("tilts", tilt_chart_of_json), ("entries", entry_map_of_json), ("instruments", instrument_chart_of_json)],
)
def test_files_round_trip(request, fixture, reader):
    chart = request.getfixturevalue(fixture)
    text = json_text(chart.as_json())
    assert json_text(reader(json.loads(text)).as_json()) == text
    assert str(chart).startswith("L3-L4 left")
    assert "freed" in str(chart)
    with pytest.raises(BadFile):
        reader({**chart.as_json(), "schema": "canalwise.plan/1"})


def test_a_plan_of_one_phase_is_charted_too(prepared, plan):
    single = replace(plan, phases=plan.phases[:1])
    assert tilt_chart(prepared, single, np.array([10.0])).medial_tilt_deg.size == 2


def test_unknown_kinds_and_levels_without_ligament_are_refused(prepared, plan):
    with pytest.raises(WrongUse, match="kind of chart"):
        charts_of(prepared, plan, ("tilt",))
    with pytest.raises(AnatomyNotFound, match="ligament"):
        tilt_chart(prepared_level(toy.anatomy(), "L3-L4"), plan)


def test_depths_of_the_other_phase_are_left_alone(prepared, plan):
    deeper = replace(plan, phases=(replace(plan.phases[0], tip_past_lamina_mm=31.0), plan.phases[1]))
    table = with_depths(prepared.level, repeated(deeper, 2), [1])
    assert (table.tip_past_mm[:, 0] == 31.0).all()
