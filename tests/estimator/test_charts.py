"""Charts hold what single approaches give, judge limits as verdicts do, and round-trip through their files."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.approach.approach import IPSILATERAL, OVER_THE_TOP, placed_phases
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.approach.table import joined, pivots_level_mm, table_of
from canalwise.estimator.batch.outcomes import outcomes
from canalwise.estimator.batch.outcomes_by_relation import (
    RequiredTargets,
    excess_frac,
    margins_frac,
    outcomes_by_relation,
    pars_before_mm,
)
from canalwise.estimator.charts.all_charts import charts_of
from canalwise.estimator.charts.entry_map import entry_map, entry_map_of_json
from canalwise.estimator.charts.instrument_chart import instrument_chart, instrument_chart_of_json, with_diameter
from canalwise.estimator.charts.tilt_chart import tilt_chart, tilt_chart_of_json, tilted
from canalwise.estimator.estimate.estimate import estimate_of
from canalwise.estimator.estimate.limit_checks import verdicts_of
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.planning.entry_variation import entry_variation_of
from canalwise.estimator.planning.pivot_constraint import one_phase, repeated, with_depths
from canalwise.estimator.planning.skin_entry import skin_entry_of
from canalwise.recon.errors import BadFile, WrongUse
from canalwise.recon.serialization import json_text
from tests.workbench import toy

WANTED = RequiredTargets(("ipsilateral recess", "contralateral canal wall"))
"""Both can be had on the made-up segment."""

BATCH_TOL_FRAC = 0.04
"""Bone as points 1 mm apart in a segment of 1 mm voxels, against sub-voxel sampling."""

CLEAR_FRAC = 0.1
"""A limit kept or broken by more than this share of itself is no matter of sampling."""

SEARCH_TOL_FRAC = 0.15
"""What a search of few approaches may miss of the least bone, and half a voxel of the midline."""

ENTRY_TOL_MM = 1.0
"""A voxel: the skin has steps of that height."""


@pytest.fixture(scope="module")
def prepared():
    return prepared_level(toy.anatomy(), "L3-L4")


@pytest.fixture(scope="module")
def plan(prepared):
    return default_approach(prepared.anatomy, "L3-L4", "left")


@pytest.fixture(scope="module")
def tilts(prepared, plan):
    return tilt_chart(prepared, plan, OVER_THE_TOP, WANTED)


@pytest.fixture(scope="module")
def entries(prepared, plan):
    return entry_map(prepared, plan, WANTED, budget=6000, step_mm=8.0)


@pytest.fixture(scope="module")
def instruments(prepared, plan):
    return instrument_chart(prepared, plan, WANTED, budget=3000)


def reported_row(prepared, approach):
    return outcomes_by_relation(prepared.level, approach.side, outcomes(prepared.scene, table_of([approach])))


def assert_same(by_relation, row, single):
    assert single.bone_mm3[0] == by_relation.bone_mm3[row]
    for name in ("structure_mm3", "facet_area_frac", "pars_mm", "reach_mm", "targets_frac"):
        here = {key: values[row] for key, values in getattr(by_relation, name).items()}
        assert {key: values[0] for key, values in getattr(single, name).items()} == pytest.approx(here, nan_ok=True)


def test_each_tilt_is_that_approach_alone(prepared, plan, tilts):
    for row in (0, 40, 60, tilts.plan):
        alone = plan if row == tilts.plan else tilted(prepared.level, plan, 1, tilts.medial_tilt_deg[[row]]).approach(0)
        assert_same(tilts.by_relation, row, reported_row(prepared, alone))
    assert tilts.medial_tilt_deg[tilts.plan] == plan.phases[1].medial_tilt_deg
    assert (np.diff(tilts.medial_tilt_deg) > 0).all()


def test_structures_sum_to_the_whole(tilts):
    assert np.sum(list(tilts.by_relation.structure_mm3.values()), axis=0) == pytest.approx(tilts.by_relation.bone_mm3)


def test_the_planner_would_go_as_deep(prepared, plan):
    """The usual start tilted to where it is already is the usual start."""
    own = np.array([plan.phases[1].medial_tilt_deg])
    again = tilted(prepared.level, plan, 1, own).approach(0)
    assert again.phases[1].tip_past_lamina_mm == pytest.approx(plan.phases[1].tip_past_lamina_mm)
    assert again.phases[1].sleeve_past_lamina_mm == pytest.approx(plan.phases[1].sleeve_past_lamina_mm)


@pytest.mark.parametrize("phase", [0, 1])
def test_pivots_stay_where_they_are(prepared, plan, phase):
    turned = tilted(prepared.level, plan, phase, np.array([-10.0, 30.0]))
    assert pivots_level_mm(turned) == pytest.approx(np.repeat(pivots_level_mm(table_of([plan])), 2, axis=0))


def test_limits_stand_as_verdicts_say(prepared, plan, tilts):
    """Where a limit is kept or broken clearly; the verdicts are held against sub-voxel sampling."""
    seen = set()
    for row in range(0, len(tilts.by_relation), 12):
        alone = tilted(prepared.level, plan, 1, tilts.medial_tilt_deg[[row]]).approach(0)
        exact = estimate_of(prepared, alone)
        assert tilts.by_relation.bone_mm3[row] == pytest.approx(exact.cone.removal.total_mm3, rel=BATCH_TOL_FRAC)
        for verdict in verdicts_of(exact):
            margin = tilts.margins_frac[verdict.name][row]
            if abs(margin) > CLEAR_FRAC:
                assert verdict.met == (margin > 0), (row, verdict)
                seen.add(verdict.met)
            elif np.isnan(margin):
                assert verdict.met is None
    assert seen == {True, False}


def test_bands_hold_the_feasible_tilts_and_no_others(tilts):
    inside = np.zeros(len(tilts.by_relation), dtype=bool)
    for low, high in tilts.bands_deg:
        inside |= (tilts.medial_tilt_deg >= low) & (tilts.medial_tilt_deg <= high)
    assert (inside == tilts.feasible).all()
    assert tilts.bands_deg
    assert (tilts.by_relation.targets_frac["contralateral canal wall"][inside] >= WANTED.enough_frac).all()
    assert tilts.within_limits[inside].all()
    assert not tilts.feasible.all()


def test_a_pars_that_loses_nothing_breaks_no_limit(prepared, plan):
    by_relation = reported_row(prepared, plan)
    thin = prepared.limits.changed(pars_residual_mm=100.0)
    kept = margins_frac(by_relation, thin, {relation: value[0] for relation, value in by_relation.pars_mm.items()})
    lost = margins_frac(
        by_relation, thin, {relation: value[0] + 2.0 for relation, value in by_relation.pars_mm.items()}
    )
    known = [relation for relation, value in by_relation.pars_mm.items() if not np.isnan(value[0])]
    assert all(kept[f"{relation} pars width remaining"][0] >= 0 for relation in known)
    assert all(lost[f"{relation} pars width remaining"][0] < 0 for relation in known)


def test_one_phase_alone_takes_no_more_than_both(prepared, plan):
    table = table_of([plan])
    whole = outcomes(prepared.scene, table).taken.bone_mm3[0]
    parts = [outcomes(prepared.scene, one_phase(table, p)).taken.bone_mm3[0] for p in (0, 1)]
    assert max(parts) <= whole <= sum(parts) + 1e-6


def test_each_entry_is_the_approach_it_stands_for(prepared, plan, entries):
    row, column = entries.best_place
    entry = skin_entry_of(
        prepared.anatomy, entries.best, placed_phases(entries.best, prepared.level.frame)[0], prepared.air_in_view
    )
    assert entry.at == entries.at
    by_relation = (entry.lateral_mm, entry.cranial_mm)
    assert by_relation == pytest.approx((entries.lateral_mm[column], entries.cranial_mm[row]), abs=ENTRY_TOL_MM)
    single = reported_row(prepared, entries.best)
    assert single.bone_mm3[0] == pytest.approx(entries.bone_mm3[row, column], rel=1e-5)
    margins = margins_frac(single, prepared.limits, pars_before_mm(prepared.scene, "left"))
    assert excess_frac(margins)[0] == 0.0
    assert single.short_frac(WANTED)[0] == 0.0


def test_an_entry_succeeds_or_says_why_not(entries):
    success = np.isfinite(entries.bone_mm3)
    assert success.any()
    assert not success.all()
    assert ((entries.reason == -1) == success).all()
    assert (entries.reached_frac[success] >= WANTED.enough_frac).all()
    assert set(np.unique(entries.reason[~success])) == set(range(len(entries.reasons)))
    assert all(reason.startswith(("limit: ", *WANTED.names)) for reason in entries.reasons)


def test_the_map_is_the_same_again_and_keeps_its_budget(prepared, plan, entries):
    again = entry_map(prepared, plan, WANTED, budget=6000, step_mm=8.0)
    assert json_text(again.as_json()) == json_text(entries.as_json())
    assert entries.evaluated <= entries.budget


def test_the_other_side_of_an_even_segment_has_the_same_map(prepared, entries):
    """Left and right of the made-up segment differ by its midmost sheet of voxels alone."""
    other = entry_map(prepared, default_approach(prepared.anatomy, "L3-L4", "right"), WANTED, 6000, 8.0)
    assert other.side == "right"
    both = np.isfinite(entries.bone_mm3) & np.isfinite(other.bone_mm3)
    assert both.sum() >= np.isfinite(entries.bone_mm3).sum() - 2
    assert np.median(other.bone_mm3[both] / entries.bone_mm3[both]) == pytest.approx(1.0, abs=SEARCH_TOL_FRAC)


def test_few_approaches_find_nearly_what_many_do(prepared, plan, entries):
    many = entry_map(prepared, plan, WANTED, budget=30_000, step_mm=8.0)
    found = np.isfinite(entries.bone_mm3)
    assert np.isfinite(many.bone_mm3[found]).mean() > 0.9
    assert np.nanmedian(entries.bone_mm3[found] / many.bone_mm3[found]) < 1.0 + SEARCH_TOL_FRAC
    assert np.nanmedian(many.bone_mm3[found] / entries.bone_mm3[found]) <= 1.02


def test_the_plan_itself_is_among_those_tried(prepared, plan):
    """From the plan's own pivot the least bone found is no more than the plan's, when the plan succeeds.

    Also where the plan's first axis passes beside its docking point, as the default plan's does.
    """
    assert np.linalg.norm(plan.phases[0].pivot_shift_mm) > 1.0
    ground = entry_variation_of(prepared.level, plan)
    again = ground.laid(ground.pivot_mm[None], ground.angles_deg[None])
    mine = outcomes_by_relation(prepared.level, "left", outcomes(prepared.scene, joined([again, table_of([plan])])))
    assert mine.bone_mm3[0] == pytest.approx(mine.bone_mm3[1], rel=1e-4)  # positions are held in single precision


def test_thicker_sleeves_take_more_and_none_beats_tilting_anew(prepared, plan, instruments):
    sleeve, tool = instruments.curves
    assert (np.diff(sleeve.held.bone_mm3) > 0).all()
    for curve in (sleeve, tool):
        both = curve.held_feasible & curve.best_feasible
        assert not (curve.held_feasible & ~curve.best_feasible).any()
        assert (curve.best.bone_mm3[both] <= curve.held.bone_mm3[both] * 1.001).all()
        own = int(np.flatnonzero(curve.diameter_mm == curve.plan_mm)[0])
        assert_same(curve.held, own, reported_row(prepared, plan))


def test_a_tool_stops_where_none_thicker_succeeds(instruments):
    for curve in instruments.curves:
        if curve.stops_mm is None:
            assert curve.best_feasible[-1] or not curve.best_feasible.any()
        else:
            stop = int(np.searchsorted(curve.diameter_mm, curve.stops_mm))
            assert curve.best_feasible[stop - 1]
            assert not curve.best_feasible[stop:].any()


def test_what_does_not_fit_gives_way():
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
    with pytest.raises(BadFile):
        reader({**chart.as_json(), "schema": "canalwise.plan/1"})


def test_a_plan_of_one_phase_is_told_what_is_missing(prepared, plan):
    single = replace(plan, phases=plan.phases[:1])
    with pytest.raises(WrongUse, match="over the top"):
        tilt_chart(prepared, single)
    with pytest.raises(WrongUse, match="phases"):
        entry_map(prepared, single)
    assert tilt_chart(prepared, single, IPSILATERAL, tilts_deg=np.array([0.0, 4.0])).medial_tilt_deg.size == 3


def test_unknown_kinds_and_targets_are_refused(prepared, plan):
    with pytest.raises(WrongUse, match="kind of chart"):
        charts_of(prepared, plan, ("tilt",))
    with pytest.raises(WrongUse, match="what is wanted"):
        RequiredTargets(("roof",))
    with pytest.raises(WrongUse, match="enough"):
        RequiredTargets(enough_frac=0.0)


def test_depths_of_the_other_phase_are_left_alone(prepared, plan):
    deeper = replace(plan, phases=(replace(plan.phases[0], tip_past_lamina_mm=31.0), plan.phases[1]))
    table = with_depths(prepared.level, repeated(deeper, 2), [1])
    assert (table.tip_past_mm[:, 0] == 31.0).all()
