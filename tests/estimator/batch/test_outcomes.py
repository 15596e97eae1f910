"""The batch against the exact estimate, closed forms, and its own laws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from canalwise.estimator.approach.table import ApproachTable, packed_phases, table_of
from canalwise.estimator.batch import cpu as batch_cpu
from canalwise.estimator.batch.outcomes import ErrorShifts, outcomes, taken_by_all
from canalwise.estimator.batch.outcomes_by_relation import outcomes_by_relation, pars_before_mm
from canalwise.estimator.estimate.estimate import estimate_of
from canalwise.estimator.geometry.batch_loops import removals, work_for
from canalwise.estimator.geometry.level_arrays import LEAF, LevelArrays
from canalwise.estimator.level.array_builder import CELL_MM
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.recon.labels import SIDES
from tests import closed_forms
from tests.estimator.toys import LEVEL_AXES, level_bone_of_shape, oblique_grid
from tests.laws.scenes import SPACING_MM, SPEC, anatomy_on, grid_of, ready_level, usual

VOLUME_TOL = 0.01  # equal volume within 1 %
SHARE_TOL = 0.02
PARS_TOL_MM = 0.5  # two samples along a row
BRIDGE_TOL_MM = 0.6  # rows stand 1 mm apart, four times as far as in the exact answer
REACH_TOL_MM = 0.05
TARGETS_TOL = 0.1  # a set has 10 to 40 points
COUNT = 24


@pytest.fixture(scope="module")
def prepared() -> PreparedLevel:
    return ready_level(anatomy_on(SPEC, grid_of(SPEC)))


@pytest.fixture(scope="module")
def table(prepared) -> ApproachTable:
    """The usual approach and disturbed copies of it."""
    usual_one = table_of([usual(prepared.anatomy)]).rows(np.zeros(COUNT, dtype=np.intp))
    rng = np.random.default_rng(3)
    off = rng.uniform(-1, 1, (4, COUNT, 3))
    off[:, 0] = 0.0
    return replace(
        usual_one,
        docking_mm=usual_one.docking_mm + 3 * off[0],
        medial_deg=usual_one.medial_deg + 6 * off[1, :, :2],
        cranial_deg=usual_one.cranial_deg + 6 * off[2, :, :2],
        sweep_deg=usual_one.sweep_deg + 2 * off[3, :, :2],
    )


def with_protected_bone_grown(prepared, by_mm) -> LevelArrays:
    """The scene with the border of protected bone that much further out."""
    goals = prepared.scene.goals
    return replace(prepared.scene, goals=goals._replace(guard=goals.guard - np.float32(by_mm)))


def test_protected_bone_is_where_the_exact_estimate_has_it(prepared, table):
    """Shares lie between those beside protected bone half a voxel thicker and thinner: the exact one walks in stairs.

    Of these rows some graze the pedicle on the path to the recess, else the law would say nothing.
    """
    thick, thin = (outcomes(with_protected_bone_grown(prepared, s * SPACING_MM / 2), table) for s in (1, -1))
    rows = range(2, COUNT, 3)
    for row in rows:
        exact = estimate_of(prepared, table.approach(row))
        for n, side in enumerate(SIDES):
            shares = np.array([exact.reach[side].targets[name] for name in prepared.scene.sets])
            assert (thick.reached_frac[row, n] <= shares + 1e-6).all(), (row, side)
            assert (shares <= thin.reached_frac[row, n] + 1e-6).all(), (row, side)
    assert (thick.reached_frac[rows] < thin.reached_frac[rows]).any()


def test_the_batch_agrees_with_exact_estimates(prepared, table):
    found = outcomes(prepared.scene, table)
    for row in range(0, COUNT, 6):
        exact = estimate_of(prepared, table.approach(row))
        assert found.taken.bone_mm3[row] == pytest.approx(exact.cone.removal.total_mm3, rel=VOLUME_TOL)
        assert found.undercut_frac[row] == pytest.approx(exact.cone.spinous_base.undercut_frac, abs=SHARE_TOL)
        assert found.bridge_mm[row] == pytest.approx(exact.cone.spinous_base.bridge_mm, abs=BRIDGE_TOL_MM)
        for n, side in enumerate(SIDES):
            kept, reach = exact.cone.facets[side], exact.reach[side]
            assert found.facet_area_frac[row, n] == pytest.approx(kept.area_frac, abs=SHARE_TOL)
            assert found.facet_width_frac[row, n] == pytest.approx(kept.width_frac, abs=2 * SHARE_TOL)
            assert found.pars_mm[row, n] == pytest.approx(exact.cone.pars[side].residual_mm, abs=PARS_TOL_MM)
            assert found.lateral_mm[row, n] == pytest.approx(reach.lateral_mm, abs=REACH_TOL_MM)
            shares = [reach.targets[name] for name in prepared.scene.sets]
            assert found.reached_frac[row, n] == pytest.approx(shares, abs=TARGETS_TOL)


def test_answers_do_not_depend_on_threads_or_company(prepared, table, monkeypatch):
    together = outcomes(prepared.scene, table)
    monkeypatch.setattr(batch_cpu, "BLOCK", 5)
    apart = outcomes(prepared.scene, table)
    alone = outcomes(prepared.scene, table.rows(np.array([7])))
    assert apart.taken.weight.tobytes() == together.taken.weight.tobytes()
    assert apart.facet_area_frac.tobytes() == together.facet_area_frac.tobytes()
    assert alone.taken.weight[0].tobytes() == together.taken.weight[7].tobytes()
    assert alone.reached_frac[0].tobytes() == together.reached_frac[7].tobytes()


def test_more_sweep_takes_no_less_and_keeps_no_more(prepared, table):
    less, more = (
        outcomes(prepared.scene, table),
        outcomes(prepared.scene, replace(table, sweep_deg=table.sweep_deg + 1.5)),
    )
    assert (more.taken.weight >= less.taken.weight - 1e-4).all()
    assert (more.facet_area_frac <= less.facet_area_frac + 1e-6).all()
    assert (more.reached_frac >= less.reached_frac).all()


def test_a_wider_berth_takes_and_reaches_no_more(prepared, table):
    own = outcomes(prepared.scene, table)
    wide = outcomes(prepared.scene, table, ErrorShifts(np.full(COUNT, 1.0), np.zeros(COUNT)))
    assert (wide.taken.weight <= own.taken.weight + 1e-4).all()
    assert (wide.reached_frac <= own.reached_frac).all()
    assert wide.taken.bone_mm3.sum() < own.taken.bone_mm3.sum()


def test_targets_moved_outward_are_reached_further_out_or_not_at_all(prepared, table):
    own = outcomes(prepared.scene, table)
    out = outcomes(prepared.scene, table, ErrorShifts(np.zeros(COUNT), np.full(COUNT, 0.5)))
    touched = (out.lateral_mm > 0) & (own.lateral_mm > 0)
    assert touched.any()
    assert np.median((out.lateral_mm - own.lateral_mm)[touched]) == pytest.approx(0.5, abs=1e-4)


def test_bones_border_costs_what_a_second_removal_says(prepared, table):
    """Drawing all borders in by d costs d times `per_mm`: against the exact removal from bone drawn in."""
    from canalwise.estimator.geometry.border_shift import eroded_occupancy
    from canalwise.estimator.removal.bone_removal import removal_of
    from canalwise.estimator.removal.region import ConeRegion

    by_mm = 0.2
    exact = estimate_of(prepared, table.approach(0))
    level_bone, volume = prepared.level_bone, np.float32(prepared.level_bone.grid.voxel_mm3)
    thin = replace(level_bone, bone_mm3=eroded_occupancy(level_bone.bone_mm3 / volume, level_bone.grid, by_mm) * volume)
    lost = exact.cone.removal.total_mm3 - removal_of(thin, ConeRegion(exact.phases, exact.keep_out)).total_mm3
    assert taken_by_all(prepared.scene, table).bone_per_mm[0] * by_mm == pytest.approx(lost, rel=0.03)


def test_a_swept_cone_in_solid_bone_has_steiners_volume(prepared):
    """Steiner's formula (`closed_forms`), without a sac in the path."""
    from canalwise.estimator.geometry.level_arrays import KeepOutField
    from canalwise.estimator.level.array_builder import WeightedPoints, _cloud, _drawn_together

    grid = oblique_grid((91, 71, 65), (0.6, 0.5, 0.7), (12, -20, 35))
    level_bone = level_bone_of_shape(lambda points: np.full(points.shape[:-1], -1.0), grid)
    index = np.argwhere(level_bone.bone_mm3 > 0)
    weight = level_bone.bone_mm3[tuple(index.T)].astype(float)
    xyz = grid.world_mm(index) @ LEVEL_AXES.T
    cells = _drawn_together(WeightedPoints(np.zeros(len(index), np.intp), index // 2, xyz, weight, 0 * weight))
    far = KeepOutField(
        np.full((2, 2, 2), 9.0, np.float32), np.eye(3, 4, dtype=np.float32) + np.float32([[0, 0, 0, 1e4]] * 3)
    )
    cloud = _cloud(cells, far)
    packed = np.zeros((1, 1, 14), dtype=np.float32)
    length, base = 20.0, 20.0 * np.tan(np.radians(10.0))
    packed[0, 0] = [0, 10, 0, 0, -1, 0, *[length, base, 1 / (length**2 + base**2), 4.0] * 2]
    taken, slope, lateral = np.zeros((1, 1)), np.zeros((1, 1)), np.zeros((1, 1))
    removals(cloud, packed, np.ones(1, np.float32), np.float32(CELL_MM), work_for(cloud, 1), taken, slope, lateral)
    assert taken[0, 0] == pytest.approx(closed_forms.grown_cone_mm3(10.0, 20.0, 4.0), rel=VOLUME_TOL)


def test_spheres_hold_their_points_and_sums_are_theirs(prepared):
    cloud = prepared.scene.cloud
    shown = cloud.weight > 0
    for spheres, size in ((cloud.leaf, LEAF), (cloud.group, LEAF**2)):
        centre = np.repeat(spheres.xyz, size, axis=1)[:, shown]
        away = np.linalg.norm(cloud.xyz[:, shown] - centre, axis=0)
        assert (away <= np.repeat(spheres.radius, size)[shown]).all()
    assert cloud.leaf_weight.sum() == pytest.approx(prepared.scene.bucket_whole.sum(), rel=1e-6)
    assert cloud.group_weight.sum() == pytest.approx(cloud.leaf_weight.sum(), rel=1e-9)


def test_tables_of_sight_agree_with_the_march(prepared, table):
    """A point's table, read for any pivot, against the line of sight itself."""
    scene, phases = prepared.scene, packed_phases(table)[:, 0]
    rng = np.random.default_rng(5)
    frame, errors = prepared.level.frame, []
    for phase in phases[:6]:
        points = rng.choice(np.flatnonzero(scene.cloud.weight > 0), 200)
        xyz = scene.cloud.xyz[:, points].astype(float)
        sight = prepared.sac.sight_mm(frame.to_world_mm(phase[:3]), frame.to_world_mm(xyz.T), give_up_mm=-9.0)
        slopes = (phase[[0, 2], None] - xyz[[0, 2]]) / (phase[1] - xyz[1]) / 0.25
        near = (np.abs(slopes) <= [[6], [3]]).all(axis=0) & (np.abs(sight) < 4)
        table_mm = _interpolated(scene.cloud.sight[points], slopes) - prepared.sac.clearance_radius_mm
        errors.append(np.abs(table_mm - sight)[near])
    assert np.median(np.concatenate(errors)) < 0.05
    assert np.quantile(np.concatenate(errors), 0.99) < 0.4


def _interpolated(tables, slopes):
    axes = (np.arange(-6, 7), np.arange(-3, 4))
    clipped = np.clip(slopes.T, [-6, -3], [6, 3])
    fields = [RegularGridInterpolator(axes, 0.05 * t.reshape(13, 7).astype(float)) for t in tables]
    return np.array([field(at)[0] for field, at in zip(fields, clipped, strict=True)])


def test_a_pars_that_loses_nothing_is_as_wide_as_before(prepared, table):
    """By the batch's own count, not the exact one: else a thin pars that nobody touches would stop every plan."""
    clear = replace(table, sleeve_past_mm=table.sleeve_past_mm - 300.0, tip_past_mm=table.tip_past_mm - 300.0)
    by_relation = outcomes_by_relation(prepared.level, "left", outcomes(prepared.scene, clear))
    nothing_taken = by_relation.bone_mm3 == 0.0
    assert nothing_taken.sum() > COUNT / 2
    before = pars_before_mm(prepared.scene, "left")
    assert before["ipsilateral"] > 0
    assert all((width[nothing_taken] == before[relation]).all() for relation, width in by_relation.pars_mm.items())
