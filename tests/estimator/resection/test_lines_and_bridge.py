"""Tunnels and bridges against closed forms that share no formula with them."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.decompression.level_cells import level_cells
from canalwise.estimator.decompression.rules import ResectionRules
from canalwise.estimator.level.level_bone import LevelBone
from canalwise.estimator.level.pars_and_base_samples import _sampled_part
from canalwise.estimator.outcome.base_bridge import base_bridge
from canalwise.estimator.removal.bone_removal import Removal, removal_of
from canalwise.estimator.resection.line_values import EntryWindow, ToolLines
from canalwise.estimator.resection.resection import resection_level_of
from canalwise.estimator.resection.tunnels import LineRegion, tunnels_of
from canalwise.recon.anatomy import Frame, Level
from canalwise.recon.labels import Part, label_of
from tests.estimator.resection.toy_canal import ROOF_MM, toy_level
from tests.estimator.toys import LEVEL_AXES, oblique_grid

FAR_ABOVE = 200.0


def one_line(tilt_deg: float, beside_from_mm: float = FAR_ABOVE) -> tuple[EntryWindow, np.ndarray, np.ndarray]:
    """A line through the roof, its tip on the canal's axis, 5 mm left of the midline."""
    tip = np.array([5.0, 0.0, 1.0])
    outward = np.array([np.sin(np.radians(tilt_deg)), np.cos(np.radians(tilt_deg)), 0.0])
    window = EntryWindow((tip + 60.0 * outward)[None], np.array([0.0, 1.0, 0.0]), beside_from_mm)
    return window, window.pivots_mm, tip[None]


@pytest.mark.parametrize("tilt_deg", [0.0, 25.0])
def test_a_tunnel_through_a_flat_roof_is_a_cylinder(tilt_deg):
    """Volume of an oblique circular cylinder: its section times its length, thickness / cos tilt."""
    prepared, rules = toy_level(0.5), ResectionRules()
    window, pivots, tips = one_line(tilt_deg, beside_from_mm=-FAR_ABOVE)
    region = LineRegion(prepared.level.frame, window, pivots, tips, Channel(tool_diameter_mm=4.0), rules)
    thickness = ROOF_MM[1] - ROOF_MM[0]
    expected = np.pi * 2.0**2 * thickness / np.cos(np.radians(tilt_deg))
    assert removal_of(prepared.level_bone, region).total_mm3 == pytest.approx(expected, rel=0.03)


def test_the_scope_is_wider_where_the_burr_clears_its_way():
    prepared, rules = toy_level(0.5), ResectionRules().changed(tool_beyond_scope_mm=2.0)
    window, pivots, tips = one_line(0.0)
    region = LineRegion(prepared.level.frame, window, pivots, tips, Channel(), rules)
    thickness = ROOF_MM[1] - ROOF_MM[0]
    assert removal_of(prepared.level_bone, region).total_mm3 == pytest.approx(np.pi * 3.5**2 * thickness, rel=0.03)


@pytest.mark.parametrize("tilt_deg", [0.0, 25.0])
def test_cells_of_the_choice_hold_the_same_tunnel(tilt_deg):
    prepared, rules = toy_level(0.5), ResectionRules()
    at = resection_level_of(prepared)
    window, pivots, tips = one_line(tilt_deg)
    cells = level_cells(
        prepared.level, prepared.level_bone, at.room.stations, rules.prices(), rules.value("contact_mm")
    )
    lines = ToolLines(pivots, tips, np.zeros(1, np.int32), np.zeros(1, np.int32), np.zeros((1, 1), np.uint8))
    tunnels = tunnels_of(lines, window, cells.priced, Channel(), rules)
    fine = removal_of(prepared.level_bone, LineRegion(prepared.level.frame, window, pivots, tips, Channel(), rules))
    coarse = float((tunnels.price[tunnels.cells] * tunnels.share).sum())
    # a round tunnel of 7 mm on cells of 1 mm that are centred on it
    assert coarse == pytest.approx(fine.total_mm3, rel=0.10)


def spinous_base(thickness_mm: float = 8.0) -> tuple[Level, LevelBone]:
    """A block of spinous base, so thick from front to back, 8 mm wide and high."""
    grid = oblique_grid((60, 60, 60), (0.5, 0.5, 0.5))
    frame = Frame(np.zeros(3), LEVEL_AXES)
    x, y, z = np.moveaxis(frame.to_level_mm(grid.voxel_centres_mm()), -1, 0)
    bone = (np.abs(x) <= 4) & (np.abs(y) <= thickness_mm / 2) & (np.abs(z) <= 4)
    labels = np.where(bone, label_of("L3", Part.SPINOUS_BASE), 0).astype(np.uint16)
    level = Level("L3-L4", "L3", "L4", frame, {}, {}, {}, {})
    i, j, k = (slice(0, n) for n in grid.shape)
    return level, LevelBone((i, j, k), grid, (bone * grid.voxel_mm3).astype(np.float32), labels)


def taken(level_bone: LevelBone, level: Level, y_from: float, z_half: float) -> Removal:
    """A slot across the whole width, from the front to a depth, about the middle rows."""
    _, y, z = np.moveaxis(level.frame.to_level_mm(level_bone.grid.voxel_centres_mm()), -1, 0)
    voxels = np.flatnonzero((y < y_from) & (np.abs(z) <= z_half) & (level_bone.labels > 0))
    return Removal(level_bone, voxels, np.ones(len(voxels), dtype=np.float32))


@pytest.mark.parametrize("depth_mm", [0.0, 2.0, 5.0, 8.0])
def test_bridge_is_what_a_slot_leaves(depth_mm):
    level, level_bone = spinous_base()
    part = _sampled_part(level, level_bone, label_of("L3", Part.SPINOUS_BASE))
    left = base_bridge(part, taken(level_bone, level, -4.0 + depth_mm, 1.5))
    assert left.bridge_before_mm == pytest.approx(8.0, abs=0.5)
    assert left.bridge_mm == pytest.approx(8.0 - depth_mm, abs=0.5)
    if depth_mm == 8.0:
        assert left.bridge_mm == 0.0


def test_bridge_never_grows():
    level, level_bone = spinous_base()
    part = _sampled_part(level, level_bone, label_of("L3", Part.SPINOUS_BASE))
    bridges = [base_bridge(part, taken(level_bone, level, -4.0 + d, 1.5)).bridge_mm for d in np.arange(0, 8.5, 0.5)]
    assert (np.diff(bridges) <= 1e-9).all()
