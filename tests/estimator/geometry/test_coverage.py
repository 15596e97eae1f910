"""The compiled loops over places against a plain evaluation of the same formulas, sample by sample."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from canalwise.estimator.approach.approach import PlacedPhase
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.geometry.bricks import Bricks, bricks_of_points, bricks_of_voxels
from canalwise.estimator.level.keep_out import KeepOut
from canalwise.estimator.removal.region import ConeRegion, TaskRegion
from canalwise.recon.grid import Float, Grid
from tests.estimator.toys import nothing_to_keep_out_of, oblique_grid

BALL_MM, BERTH_MM = 6.0, 2.0
SIGHT_TOL_MM = 0.02
"""A march with steps of 0.4 mm misses the least distance by up to 0.01 mm (`cone_formulas`), a finer one by less."""

FINE_STEPS = 800
"""Steps of the plain march, about 0.1 mm each."""

VOXELS = oblique_grid((19, 20, 14), (1.1, 0.8, 1.4), (12, -20, 35))
PHASES = tuple(
    PlacedPhase(name, np.array(pivot), np.array(axis) / np.linalg.norm(axis), sweep_deg, 4.0, 48.0, 1.75, 66.0)
    for name, pivot, axis, sweep_deg in (
        ("ipsilateral", (-6.0, -55.0, 3.0), (0.05, 1.0, 0.0), 3.0),
        ("over the top", (-8.0, -54.0, 0.0), (0.3, 1.0, 0.1), 5.0),
    )
)
CHANNEL = Channel()
TARGETS = np.array([[x, 10.0, z] for x in (-9.0, -7.0, 8.0) for z in np.arange(-4.0, 4.1, 0.5)])
PATHS = ((PHASES[0].pivot_ras_mm, TARGETS[:20]), (PHASES[1].pivot_ras_mm, TARGETS[20:]))


def ball_field() -> KeepOut:
    """A round sac about the origin, its distance on an oblique grid."""
    grid = oblique_grid((60, 60, 60), (0.5, 0.5, 0.5), (5, 10, -15))
    away = np.linalg.norm(grid.voxel_centres_mm(), axis=-1) - BALL_MM
    return KeepOut(grid, np.maximum(away, 0.0).astype(np.float32), BERTH_MM)


KEEP_OUT = ball_field()
REGIONS = {"cone": ConeRegion(PHASES, KEEP_OUT), "task": TaskRegion(PATHS, CHANNEL, KEEP_OUT)}


def plain_cone_mm(points: Float, apex: Float, axis: Float, length: float, base: float) -> Float:
    """Signed distance to a solid cone: the triangle in the half-plane through its axis, in numpy."""
    offset = points - apex
    t = offset @ axis
    rho = np.linalg.norm(offset - t[..., None] * axis, axis=-1)
    along = np.clip((t * length + rho * base) / max(length**2 + base**2, 1e-12), 0.0, 1.0)
    nearest = np.minimum(
        np.hypot(t - along * length, rho - along * base), np.hypot(t - length, np.maximum(rho - base, 0.0))
    )
    return np.where((t > 0) & (t < length) & (rho * length < t * base), -nearest, nearest)


def plain_solids_mm(kind: str, points: Float) -> list[tuple[Float, Float]]:
    """Each path's pivot and the signed distance of the points to its solid."""
    if kind == "cone":
        return [
            (
                p.pivot_ras_mm,
                np.minimum(
                    plain_cone_mm(
                        points,
                        p.pivot_ras_mm,
                        p.axis_ras,
                        p.sleeve_depth_mm,
                        p.sleeve_depth_mm * np.tan(np.radians(p.sweep_deg)),
                    )
                    - p.sleeve_radius_mm,
                    plain_cone_mm(
                        points,
                        p.pivot_ras_mm,
                        p.axis_ras,
                        p.tip_depth_mm,
                        p.tip_depth_mm * np.tan(np.radians(p.sweep_deg)),
                    )
                    - p.tool_radius_mm,
                ),
            )
            for p in PHASES
        ]
    solids = []
    for pivot, targets in PATHS:
        least = np.full(points.shape[:-1], np.inf)
        for target in targets:
            length = float(np.linalg.norm(target - pivot))
            axis, scope = (target - pivot) / length, max(length - CHANNEL.working_distance_mm, 0.0)
            least = np.minimum(least, plain_cone_mm(points, pivot, axis, scope, 0.0) - CHANNEL.scope_radius_mm)
            tip = pivot + scope * axis
            least = np.minimum(least, plain_cone_mm(points, tip, axis, length - scope, 0.0) - CHANNEL.tool_radius_mm)
        solids.append((pivot, least))
    return solids


def plain_sight_mm(pivot: Float, points: Float) -> Float:
    """By how much lines clear the berth, looked at in even steps."""
    least = np.full(len(points), np.inf)
    for share in np.linspace(0.0, 1.0, FINE_STEPS):
        index = KEEP_OUT.grid.index_of(pivot + share * (points - pivot))
        least = np.minimum(
            least,
            ndimage.map_coordinates(KEEP_OUT.distance_mm, index.T, order=1, cval=np.inf, mode="constant", output=float),
        )
    return least - KEEP_OUT.clearance_radius_mm


def plain_shares(kind: str, bricks: Bricks) -> tuple[Float, Float]:
    """Least and greatest share of each place's samples inside: sure, and not ruled out by what sight leaves open."""
    samples = (bricks.points_mm[:, :, None] + bricks.samples_mm[:, None, :]).transpose(1, 2, 0)
    flat = samples.reshape(-1, 3)
    sure, perhaps = np.zeros(len(flat), dtype=bool), np.zeros(len(flat), dtype=bool)
    for pivot, solid in plain_solids_mm(kind, flat):
        near = np.flatnonzero(solid < 1e-9)
        sight = plain_sight_mm(pivot, flat[near])
        sure[near] |= (solid[near] < -1e-9) & (sight > SIGHT_TOL_MM)
        perhaps[near] |= sight > -SIGHT_TOL_MM
    return sure.reshape(samples.shape[:2]).mean(axis=1), perhaps.reshape(samples.shape[:2]).mean(axis=1)


def shares(kind: str, bricks: Bricks) -> Float:
    """Share of every place that a region holds."""
    out = np.zeros(len(bricks.order))
    places, share = REGIONS[kind].covered(bricks)
    assert (np.diff(places) > 0).all()
    assert (share > 0).all()
    out[places] = share
    return out


@pytest.mark.parametrize("kind", REGIONS)
def test_shares_are_those_of_every_sample_computed_alone(kind):
    bricks = bricks_of_voxels(VOXELS, np.argwhere(np.ones(VOXELS.shape, dtype=bool)))
    found = shares(kind, bricks)
    least, most = plain_shares(kind, bricks)
    assert (found >= least - 1e-6).all()
    assert (found <= most + 1e-6).all()
    # the scene asks every question: places whole and in part, in the shade and at its edge
    assert (found == 1).sum() > 200
    assert ((found > 0) & (found < 1)).sum() > 200
    assert (least < most).sum() > 5
    assert (most - least).mean() < 0.01


@pytest.mark.parametrize("kind", REGIONS)
def test_points_are_held_alike_one_by_one_and_in_bricks(kind):
    points = np.random.default_rng(1).uniform(-15, 15, (4000, 3))
    bricks = bricks_of_points(points)
    found = np.empty(len(points), dtype=bool)
    found[bricks.order] = shares(kind, bricks) > 0
    assert (found == REGIONS[kind].holds(points)).all()
    assert 100 < found.sum() < 3900


def test_sight_is_the_least_clearance_along_the_path():
    points = np.random.default_rng(2).uniform(-14, 14, (500, 3))
    pivot = PHASES[1].pivot_ras_mm
    found, plain = KEEP_OUT.sight_mm(pivot, points), plain_sight_mm(pivot, points)
    assert found == pytest.approx(plain, abs=SIGHT_TOL_MM)
    assert (found < -1).any()
    assert (found > 1).any()


def test_no_region_no_share():
    bricks = bricks_of_voxels(VOXELS, np.argwhere(np.ones(VOXELS.shape, dtype=bool)))
    assert not TaskRegion(((PHASES[0].pivot_ras_mm, np.empty((0, 3))),), CHANNEL, KEEP_OUT).covered(bricks).places.size
    nothing = bricks_of_voxels(VOXELS, np.empty((0, 3), dtype=np.intp))
    assert len(REGIONS["cone"].covered(nothing).places) == 0


@pytest.mark.parametrize("grid", [VOXELS, Grid((5, 1, 9), np.diag([3.0, 0.4, 0.7, 1.0]))], ids=["oblique", "flat"])
def test_every_sample_lies_in_its_bricks_ball_and_no_brick_holds_two_groups(grid):
    index = np.argwhere(np.ones(grid.shape, dtype=bool))
    groups = index.sum(axis=1) % 3
    bricks = bricks_of_voxels(grid, index, groups)
    assert (np.sort(bricks.order) == np.arange(len(index))).all()
    assert pytest.approx(grid.world_mm(index)[bricks.order]) == bricks.points_mm.T
    for b, (first, end) in enumerate(zip(bricks.starts[:-1], bricks.starts[1:], strict=True)):
        samples = bricks.points_mm[:, first:end, None] + bricks.samples_mm[:, None, :]
        away = np.linalg.norm(samples - bricks.centres_mm[b][:, None, None], axis=0)
        assert away.max() <= bricks.radii_mm[b]
        assert len(set(groups[bricks.order[first:end]])) == 1


def test_paths_spread_all_round_a_pivot_are_all_taken():
    """No cone about them spares work there, and none must be left out."""
    pivot, far = np.array([0.5, -1.0, 2.0]), 25.0 * np.vstack([np.eye(3), -np.eye(3)])
    region = TaskRegion(((pivot, far),), CHANNEL, nothing_to_keep_out_of())
    points = np.random.default_rng(5).uniform(-25, 25, (3000, 3))
    solid = np.full(len(points), np.inf)
    for target in far:
        length = float(np.linalg.norm(target - pivot))
        axis, scope = (target - pivot) / length, length - CHANNEL.working_distance_mm
        solid = np.minimum(solid, plain_cone_mm(points, pivot, axis, scope, 0.0) - CHANNEL.scope_radius_mm)
        tip = pivot + scope * axis
        solid = np.minimum(solid, plain_cone_mm(points, tip, axis, length - scope, 0.0) - CHANNEL.tool_radius_mm)
    assert (region.holds(points) == (solid < 0)).all()
    bricks = bricks_of_points(points)
    held = np.zeros(len(points), dtype=bool)
    held[bricks.order[region.covered(bricks).places]] = True
    assert (held == (solid < 0)).all()
    assert 20 < held.sum() < 1000
