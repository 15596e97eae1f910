"""Reach over a round sac against the tangent line in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.approach.approach import PlacedPhase
from canalwise.estimator.level.keep_out import keep_out_of
from canalwise.estimator.removal.reach import next_missed, reach_of
from canalwise.recon.anatomy import Targets
from tests import closed_forms
from tests.estimator.toys import LEVEL_AXES, round_sac_anatomy

SAC_MM, CANAL_MM = 7.0, 10.0
REACH_TOL_MM = 0.5  # docs/accuracy.md#what-is-asked
PIVOT = (-12.0, 55.0)  # (contralateral, dorsal) of a right-sided approach


def over_the_top(tool_radius_mm: float, sweep_deg: float = 40.0) -> PlacedPhase:
    """From the right, aimed at the far half, with a sweep wide enough never to limit."""
    axis = np.array([12.0 + 8.0, -50.0, 0.0])
    axis /= np.linalg.norm(axis)
    pivot = np.array([PIVOT[0], PIVOT[1], 0.0]) @ LEVEL_AXES
    return PlacedPhase("over the top", pivot, axis @ LEVEL_AXES, sweep_deg, 0.0, 0.0, tool_radius_mm, 90.0)


def deepest_reached_mm(tool_radius_mm: float, spacing_mm: float, wall_mm: float = 9.0) -> float:
    """Lowest dorsal coordinate touched on a straight far wall of finely spaced points."""
    anatomy = round_sac_anatomy(SAC_MM, CANAL_MM, spacing_mm)
    level = anatomy.level("L3-L4")
    keep_out = keep_out_of(anatomy, level.frame.origin_ras_mm, (0.0, 0.5, tool_radius_mm))
    dorsal = np.arange(-9.0, 9.0, 0.05)
    wall = np.stack([np.full_like(dorsal, wall_mm), dorsal, np.zeros_like(dorsal)], axis=-1)
    sights = keep_out.sight_mm(over_the_top(tool_radius_mm).pivot_ras_mm, level.frame.to_world_mm(wall))
    return float(dorsal[sights >= 0].min())


@pytest.mark.parametrize("spacing_mm", [0.5, 1.0])
@pytest.mark.parametrize("tool_radius_mm", [1.0, 2.0])
def test_sight_ends_on_the_tangent_line(tool_radius_mm, spacing_mm):
    expected = closed_forms.deepest_on_wall_mm(PIVOT, (0.0, 0.0), SAC_MM + 0.5 + tool_radius_mm, 9.0)
    assert deepest_reached_mm(tool_radius_mm, spacing_mm) == pytest.approx(expected, abs=REACH_TOL_MM)


def test_a_thick_tool_does_not_pass_where_a_thin_one_does():
    """Common practice, no source: thickness decides what passes over the top."""
    anatomy = round_sac_anatomy(SAC_MM, CANAL_MM)
    level, targets = one_point(anatomy.level("L3-L4"), (9.0, 2.0, 0.0))
    reached = {}
    for radius in (0.75, 3.0):
        keep_out = keep_out_of(anatomy, level.frame.origin_ras_mm, (1.0, 0.5, radius))
        reached[radius] = reach_of(anatomy, level, targets, (over_the_top(radius),), keep_out)
    assert reached[0.75].targets["canal wall"] == 1.0
    assert reached[3.0].targets["canal wall"] == 0.0
    assert reached[3.0].limited_by == "tool diameter"


def one_point(level, point_level_mm):
    targets = Targets("left", {"canal wall": level.frame.to_world_mm(np.array([point_level_mm]))})
    return replace(level, targets={"left": targets}), targets


@pytest.mark.parametrize(
    ("point", "change", "limit"),
    [
        ((9.0, 9.0, 0.0), {"sweep_deg": 0.5}, "sweep"),
        ((8.0, 3.0, 0.0), {"tip_depth_mm": 30.0}, "working length"),
        ((3.0, -9.0, 0.0), {}, "sac"),
    ],
)
def test_what_stops_the_next_millimetre(point, change, limit):
    anatomy = round_sac_anatomy(SAC_MM, CANAL_MM)
    level, targets = one_point(anatomy.level("L3-L4"), point)
    keep_out = keep_out_of(anatomy, level.frame.origin_ras_mm, (1.0, 0.5, 1.0))
    reach = reach_of(anatomy, level, targets, (replace(over_the_top(1.0), **change),), keep_out)
    assert reach.limited_by == limit
    assert reach.targets["canal wall"] == 0.0


def test_everything_touched_says_so_and_gives_the_farthest_point():
    anatomy = round_sac_anatomy(3.0, CANAL_MM)
    level, targets = one_point(anatomy.level("L3-L4"), (8.0, 3.0, 0.0))
    keep_out = keep_out_of(anatomy, level.frame.origin_ras_mm, (0.0, 0.5, 1.0))
    reach = reach_of(anatomy, level, targets, (over_the_top(1.0),), keep_out)
    assert reach.limited_by.startswith("nothing")
    assert reach.lateral_mm == pytest.approx(8.0)
    assert reach.clearance_mm > 0.5


@pytest.mark.parametrize("tool_radius_mm", [1.0, 2.0])
def test_clearance_is_from_the_tools_surface_to_the_sac(tool_radius_mm):
    """The straight piece's least distance from the sac's axis in closed form, less both radii."""
    sac_mm, point = 3.0, np.array([8.0, 3.0])
    anatomy = round_sac_anatomy(sac_mm, CANAL_MM)
    level, targets = one_point(anatomy.level("L3-L4"), (*point, 0.0))
    keep_out = keep_out_of(anatomy, level.frame.origin_ras_mm, (0.0, 0.5, tool_radius_mm))
    found = reach_of(anatomy, level, targets, (over_the_top(tool_radius_mm),), keep_out)
    direction = point - np.array(PIVOT)
    length = float(np.linalg.norm(direction))
    nearest = min(-float(np.array(PIVOT) @ direction) / length, length - tool_radius_mm)
    expected = float(np.linalg.norm(np.array(PIVOT) + nearest * direction / length)) - sac_mm - tool_radius_mm
    assert found.clearance_mm == pytest.approx(expected, abs=REACH_TOL_MM)


def test_the_next_target_is_the_untouched_one_nearest_the_midline():
    level = round_sac_anatomy(SAC_MM, CANAL_MM).level("L3-L4")
    points = level.frame.to_world_mm(np.array([[1.0, 0, 0], [6.0, 0, 0], [3.0, 0, 0], [-2.0, 0, 0], [9.0, 0, 0]]))
    assert next_missed(level, points, np.array([True, False, False, False, False])) == 3
    assert next_missed(level, points, np.array([True, False, False, True, False])) == 2
    assert next_missed(level, points, np.array([True, True, True, True, False])) == 4
    assert next_missed(level, points, np.ones(5, dtype=bool)) is None
