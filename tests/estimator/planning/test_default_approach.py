"""The first plan, and an estimate that a stranger recomputes from the written geometry alone."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy import ndimage

from canalwise.estimator.approach.approach import IPSILATERAL, OVER_THE_TOP, placed_phases
from canalwise.estimator.estimate.estimate import estimate
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.estimator.planning.clock_positions import DOCKING_ORDER, docking_clock
from canalwise.estimator.planning.default_approach import (
    FAR_PIVOT_SHIFT_MM,
    STEEPEST_TILT_DEG,
    default_approach,
    turned_to_hold,
)
from canalwise.phantoms.spec import demo_spec
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.labels import Part
from tests.labelled_phantoms import LEVEL, labelled

STRANGER_TOL = 0.03  # the stranger counts voxels and marches rays by steps of 0.3 mm


@pytest.fixture(scope="module")
def anatomy() -> Anatomy:
    """The demonstration spine's L3-L4, its own labels given, bone all or nothing."""
    return labelled(demo_spec())


@pytest.mark.parametrize("side", ["left", "right"])
def test_first_plan_goes_in_beside_the_midline_and_then_over_the_top(anatomy, side):
    approach = default_approach(anatomy, LEVEL, side)
    near, over = approach.phases
    toward_side = 1.0 if side == "left" else -1.0
    assert (near.name, over.name) == (IPSILATERAL, OVER_THE_TOP)
    assert toward_side * approach.docking_point_mm[0] > 3.0
    assert abs(near.cranial_tilt_deg) <= STEEPEST_TILT_DEG + 6.0  # held, then turned by a few degrees toward the recess
    assert 10.0 < over.medial_tilt_deg < 35.0
    shift = np.array(over.pivot_shift_mm) - near.pivot_shift_mm
    assert shift == pytest.approx([toward_side * FAR_PIVOT_SHIFT_MM, 0.0, 0.0])


@pytest.mark.parametrize("side", ["left", "right"])
def test_far_recess_lies_in_the_sweep(anatomy, side):
    level, approach = anatomy.level(LEVEL), default_approach(anatomy, LEVEL, side)
    over = placed_phases(approach, level.frame)[1]
    recess = level.targets["right" if side == "left" else "left"].points_ras_mm["lateral recess"].mean(axis=0)
    direction = recess - over.pivot_ras_mm
    off_axis_deg = np.degrees(np.arccos(direction @ over.axis_ras / np.linalg.norm(direction)))
    assert off_axis_deg <= over.sweep_deg + np.degrees(over.tool_radius_mm / np.linalg.norm(direction)) + 1e-6


@pytest.mark.parametrize(("side", "hours"), [("right", (3, 6, 9)), ("left", (9, 6, 3))])
def test_docking_view_of_a_whole_spine(anatomy, side, hours):
    """Common practice, no source, as in test_clock; a whole spine keeps it within an hour."""
    seen = docking_clock(anatomy, anatomy.level(LEVEL), side, (0.0, 0.0))
    assert [seen[name] for name in DOCKING_ORDER[1:]] == pytest.approx(hours, abs=1.0)


def test_turning_stops_as_soon_as_the_goal_is_held():
    start, goal = np.array([0.0, 0.0, 2.0]), np.array([0.0, 3.0, 0.0])
    turned = turned_to_hold(start, goal, 30.0)
    assert np.linalg.norm(turned) == pytest.approx(1.0)
    assert np.degrees(np.arccos(turned @ goal / 3.0)) == pytest.approx(30.0)
    assert turned_to_hold(start, goal, 95.0).tolist() == [0.0, 0.0, 1.0]


def stranger_removed_mm3(labels: np.ndarray, affine: np.ndarray, geometry: dict) -> float:
    """Bone removed, by voxel counting from the label map and the geometry record only."""
    spacing = np.linalg.norm(affine[:3, :3], axis=0)
    sac = labels == 2
    inside = ndimage.distance_transform_edt(sac, sampling=spacing)
    kept = inside > geometry["keep_out"]["retraction_mm"] + spacing.mean() / 2
    away = ndimage.distance_transform_edt(~kept, sampling=spacing) - spacing.mean() / 2
    protected = [Part[name.upper()] for name in geometry["protected"]]
    bone = (labels >= 100) & (labels % 100 != 50) & ~np.isin(labels % 100, protected)
    points = np.argwhere(bone) @ affine[:3, :3].T + affine[:3, 3]
    gone = np.zeros(len(points), dtype=bool)
    for phase in geometry["phases"]:
        candidates = np.flatnonzero(in_sweep(points, phase) & ~gone)
        clearance_radius_mm = geometry["keep_out"]["clearance_mm"] + phase["tool_radius_mm"]
        gone[candidates] = (
            least_along(away, affine, np.array(phase["pivot_ras_mm"]), points[candidates]) > clearance_radius_mm
        )
    return float(gone.sum() * spacing.prod())


def in_sweep(points: np.ndarray, phase: dict) -> np.ndarray:
    """Within the sleeve's or the tool's grown cone; the distance is taken to a dense set of the cone's rays."""
    offset = points - phase["pivot_ras_mm"]
    t, a = offset @ np.array(phase["axis_ras"]), np.radians(phase["sweep_deg"])
    rho = np.sqrt(np.maximum((offset**2).sum(axis=1) - t**2, 0))
    held = np.zeros(len(points), dtype=bool)
    for length, radius in (
        (phase["sleeve_depth_mm"], phase["sleeve_radius_mm"]),
        (phase["tip_depth_mm"], phase["tool_radius_mm"]),
    ):
        for ray in np.linspace(0, a, 25):  # one ray of the cone in the half-plane, ending on its flat base
            along = np.clip((t * np.cos(ray) + rho * np.sin(ray)), 0, length / np.cos(ray))
            held |= np.hypot(t - along * np.cos(ray), rho - along * np.sin(ray)) < radius
    return held


def least_along(field: np.ndarray, affine: np.ndarray, pivot: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Least value of a field on each straight line, by steps of 0.3 mm."""
    inverse = np.linalg.inv(affine)
    length = np.linalg.norm(points - pivot, axis=1)
    least = np.full(len(points), np.inf)
    for step in np.arange(0, length.max(), 0.3):
        at = pivot + (points - pivot) * np.minimum(step / length, 1)[:, None]
        index = at @ inverse[:3, :3].T + inverse[:3, 3]
        least = np.minimum(least, ndimage.map_coordinates(field, index.T, order=1, mode="constant", cval=50.0))
    return least


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_stranger_recomputes_the_removal_from_labels_and_geometry(anatomy, side):
    found = estimate(anatomy, default_approach(anatomy, LEVEL, side))
    document = estimate_as_json(found)
    box = found.cone.removal.level_bone.box  # the estimate counts the level's two vertebrae and what lies among them
    labels = np.zeros_like(anatomy.labels)
    labels[box] = anatomy.labels[box]
    labels[anatomy.labels == 2] = 2
    theirs = stranger_removed_mm3(labels, anatomy.grid.affine_ras_mm, document["geometry"])
    assert document["cone"]["bone_removed_mm3"]["total"] == pytest.approx(theirs, rel=STRANGER_TOL)


def test_structures_sum_to_the_whole_and_sides_are_distinguished(anatomy):
    document = estimate_as_json(estimate(anatomy, default_approach(anatomy, LEVEL, "left")))
    removed = document["cone"]["bone_removed_mm3"]
    assert sum(removed["by_structure"].values()) == pytest.approx(removed["total"])
    names = set(removed["by_structure"])
    for part in product(
        ("upper lamina", "lower lamina", "pars", "inferior articular process"), ("ipsilateral", "contralateral")
    ):
        assert " ".join(part) in names
