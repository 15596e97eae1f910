"""Where reach is stopped, against places known in closed form, from either side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.approach.approach import PlacedPhase, other_side
from canalwise.estimator.estimate.blocker import (
    PLACES,
    TargetRay,
    blocker_json,
    blocker_of,
    blocker_on,
    bone_words,
    nearest_touched_mm,
)
from canalwise.estimator.estimate.estimate import estimate_of
from canalwise.estimator.geometry.signed_distance import cone_distance_mm
from canalwise.estimator.level.keep_out import keep_out_of
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.removal.reach import ALL_TOUCHED, reach_of
from canalwise.recon.anatomy import Targets
from canalwise.recon.labels import Part, Tissue, label_of
from tests.estimator.toys import LEVEL_AXES, round_sac_anatomy
from tests.workbench import toy

SAC_MM, CANAL_MM, RETRACTION_MM, CLEARANCE_MM = 7.0, 10.0, 1.0, 0.5
ALONG_TOL_MM = 0.5  # a ray runs 0.5 mm past its nearest point to a circle of 7 mm before it is 0.02 mm further off
FAR_SIDES = pytest.mark.parametrize("far", ["left", "right"])


def across(far: str) -> float:
    """Level x toward the far side."""
    return 1.0 if far == "left" else -1.0


def ray_to(anatomy, far, target, **phase):
    """From 12 mm on the near side, 55 mm dorsal, to a target given as (across, dorsal, cranial)."""
    level = anatomy.level("L3-L4")
    pivot = np.array([-12.0 * across(far), 55.0, 0.0])
    goal = np.array([target[0] * across(far), *target[1:]])
    axis = np.array(phase.pop("axis", goal - pivot)) * ([across(far), 1.0, 1.0] if "axis" in phase else 1.0)
    values = {
        "sweep_deg": 40.0,
        "sleeve_radius_mm": 0.0,
        "sleeve_depth_mm": 0.0,
        "tool_radius_mm": 1.0,
        "tip_depth_mm": 90.0,
    } | phase
    placed = PlacedPhase("over the top", pivot @ LEVEL_AXES, axis / np.linalg.norm(axis) @ LEVEL_AXES, **values)
    rules = (RETRACTION_MM, CLEARANCE_MM, placed.tool_radius_mm)
    keep_out = keep_out_of(anatomy, level.frame.origin_ras_mm, rules)
    return TargetRay(anatomy, level, placed, keep_out, far, level.frame.to_world_mm(goal))


def cause_of(ray):
    """What `estimator.removal.reach` says stops this ray."""
    targets = Targets(ray.far, {"canal wall": ray.target_ras_mm[None]})
    level = replace(ray.level, targets={ray.far: targets})
    return reach_of(ray.anatomy, level, targets, (ray.phase,), ray.keep_out).limited_by


def stopped(ray):
    """The blocker of the cause that `estimator.removal.reach` tells, and its point as (across, dorsal, cranial)."""
    blocker = blocker_on(ray, 0, cause_of(ray))
    x, y, z = ray.level.frame.to_level_mm(blocker.point_ras_mm)
    return blocker, np.array([x * across(ray.far), y, z])


def nearest_to_sac(target, tool_radius_mm=1.0):
    """The point nearest to the sac's axis of the line from the pivot to a tool's radius short of a target, z = 0."""
    pivot, goal = np.array([-12.0, 55.0]), np.array(target[:2])
    length = np.linalg.norm(goal - pivot)
    unit = (goal - pivot) / length
    return pivot + min(-(pivot @ unit), length - tool_radius_mm) * unit


@FAR_SIDES
@pytest.mark.parametrize("target", [(7.25, -2.0, 0.0), (3.0, -9.0, 0.0)])
def test_sac_stops_where_the_line_comes_nearest_to_it(far, target):
    """Once where the line passes outside the sac as it is pressed aside but too near, once straight through it."""
    blocker, point = stopped(ray_to(round_sac_anatomy(SAC_MM, CANAL_MM), far, target))
    assert (blocker.cause, blocker.structure) == ("sac", "dural sac")
    assert point[:2] == pytest.approx(nearest_to_sac(target), abs=ALONG_TOL_MM)
    assert point[2] == pytest.approx(0.0, abs=1e-9)


@FAR_SIDES
def test_thick_tool_is_stopped_at_the_same_place_and_reported_so(far):
    target = (9.0, 2.0, 0.0)
    blocker, point = stopped(ray_to(round_sac_anatomy(SAC_MM, CANAL_MM), far, target, tool_radius_mm=3.0))
    assert blocker.cause == "tool diameter"
    assert "too thick" in blocker.words
    assert point[:2] == pytest.approx(nearest_to_sac(target, 3.0), abs=ALONG_TOL_MM)


def test_root_in_the_path_is_called_a_root():
    anatomy = round_sac_anatomy(3.0, CANAL_MM)
    x, y, _ = np.moveaxis(anatomy.level("L3-L4").frame.to_level_mm(anatomy.grid.voxel_centres_mm()), -1, 0)
    anatomy.labels[np.hypot(x - 4.0, y - 6.0) < 2.5] = Tissue.ROOT
    blocker, _ = stopped(ray_to(anatomy, "left", (6.5, 0.0, 0.0)))
    assert (blocker.cause, blocker.structure) == ("sac", "nerve root")


@FAR_SIDES
def test_protected_bone_stops_at_the_near_face_of_a_plate(far):
    """A plate of the body of L4 from 18 to 21 mm dorsal; voxels of 0.5 mm, looked at every 0.4 mm."""
    anatomy, top_mm = round_sac_anatomy(SAC_MM, CANAL_MM), 21.25
    y = anatomy.level("L3-L4").frame.to_level_mm(anatomy.grid.voxel_centres_mm())[..., 1]
    anatomy.labels[(y >= 18.0) & (y <= 21.0)] = label_of("L4", Part.BODY)
    blocker, point = stopped(ray_to(anatomy, far, (9.0, 9.0, 0.0)))
    assert (blocker.cause, blocker.structure) == ("protected bone", "body of L4")
    assert top_mm - 0.4 <= point[1] <= top_mm
    assert point[0] == pytest.approx(-12.0 + 21.0 * (55.0 - point[1]) / 46.0)


@FAR_SIDES
def test_line_without_sweep_ends_abreast_of_the_target(far):
    ray = ray_to(round_sac_anatomy(SAC_MM, CANAL_MM), far, (9.0, 9.0, 0.0), axis=(0.0, -1.0, 0.0), sweep_deg=0.0)
    blocker, point = stopped(ray)
    assert (blocker.cause, blocker.structure) == ("sweep", "")
    assert point == pytest.approx([-12.0 + 1.0, 9.0, 0.0])  # a tool radius beside the axis
    assert blocker.words == "The sweep ends 20.0 mm short of the next target, 11 mm short of the midline."


@FAR_SIDES
@pytest.mark.parametrize("sweep_deg", [0.5, 4.0, 15.0])
def test_sweep_ends_at_its_nearest_place_to_the_target(far, sweep_deg):
    ray = ray_to(round_sac_anatomy(SAC_MM, CANAL_MM), far, (9.0, 9.0, 3.0), axis=(0.0, -1.0, 0.1), sweep_deg=sweep_deg)
    blocker, _ = stopped(ray)
    assert blocker.cause == "sweep"
    apart = np.linalg.norm(np.subtract(blocker.point_ras_mm, blocker.target_ras_mm))
    of_point, of_target = cone_distance_mm([blocker.point_ras_mm, blocker.target_ras_mm], ray.phase, 1e3)
    assert of_point == pytest.approx(1.0)  # the tool's surface: its radius beyond the cone
    assert apart == pytest.approx(of_target - 1.0)


@FAR_SIDES
def test_short_tool_ends_on_its_own_axis(far):
    target = np.array([8.0, 9.0, 0.0])
    ray = ray_to(round_sac_anatomy(SAC_MM, CANAL_MM), far, target, tip_depth_mm=30.0)
    blocker, point = stopped(ray)
    assert blocker.cause == "working length"
    unit = (target - [-12.0, 55.0, 0.0]) / np.linalg.norm(target - [-12.0, 55.0, 0.0])
    assert point == pytest.approx(np.array([-12.0, 55.0, 0.0]) + 31.0 * unit)
    assert "19.2 mm short" in blocker.words  # sqrt(20^2 + 46^2) - 31


def test_nearest_touched_place_lies_on_the_base_for_a_point_beyond_the_end():
    phase = ray_to(round_sac_anatomy(SAC_MM, CANAL_MM), "left", (0.0, 0.0, 0.0), axis=(0.0, -1.0, 0.0)).phase
    beyond = phase.pivot_ras_mm + 50.0 * phase.axis_ras + np.array([0.0, 0.0, 5.0])
    touched = nearest_touched_mm(phase, beyond, 40.0)
    assert touched == pytest.approx(phase.pivot_ras_mm + 41.0 * phase.axis_ras + np.array([0.0, 0.0, 5.0]))


@FAR_SIDES
def test_limits_point_at_the_far_joint_and_at_the_midline(far):
    ray = ray_to(round_sac_anatomy(SAC_MM, CANAL_MM), far, (9.0, 2.0, 0.0))
    joint, base = blocker_on(ray, 0, "facet limit"), blocker_on(ray, 0, "spinous base")
    assert joint.structure == f"{far} facet joint of L3-L4"
    assert across(far) * ray.level.frame.to_level_mm(joint.point_ras_mm)[0] == pytest.approx(CANAL_MM + 1)
    assert base.structure == "spinous base of L3"
    crossing = 55.0 - 53.0 * 12.0 / 21.0
    assert ray.level.frame.to_level_mm(base.point_ras_mm) == pytest.approx([0.0, crossing, 0.0], abs=0.06)


@pytest.mark.parametrize("side", ["left", "right"])
def test_whole_estimate_is_stopped_by_what_its_reach_tells(side):
    """On a plain motion segment, for tilts from too flat to too steep; each cause has a place to point at."""
    prepared, plan = prepared_level(toy.anatomy(), "L3-L4").ready(), default_approach(toy.anatomy(), "L3-L4", side)
    causes = set()
    for turn_deg in (-20.0, -8.0, 0.0, 8.0, 20.0):
        over = replace(plan.phases[1], medial_tilt_deg=plan.phases[1].medial_tilt_deg + turn_deg)
        found = estimate_of(prepared, replace(plan, phases=(plan.phases[0], over)))
        reach, blocker = found.reach[other_side(side)], blocker_of(found)
        assert (blocker is None) == (reach.limited_by == ALL_TOUCHED)
        if blocker is not None:
            assert (blocker.cause, blocker.target_ras_mm) == (reach.limited_by, reach.next_ras_mm)
            causes.add(blocker.cause)
    assert len(causes) > 1
    assert causes <= set(PLACES)


def test_json_tells_it_in_the_level_frame():
    ray = ray_to(round_sac_anatomy(SAC_MM, CANAL_MM), "left", (8.0, 9.0, 0.0), tip_depth_mm=30.0)
    reported = blocker_json(blocker_on(ray, 1, "working length"), ray.level.frame)
    assert reported["target_mm"] == pytest.approx([8.0, 9.0, 0.0])
    assert (reported["phase"], reported["cause"]) == (1, "working length")
    assert blocker_json(None, ray.level.frame) is None


def test_every_protected_bone_has_its_words():
    assert bone_words(label_of("L5", Part.PEDICLE_RIGHT)) == "right pedicle of L5"
    assert bone_words(label_of("S1", Part.BODY)) == "body of S1"
