"""Pars and spinous base against solids whose widths are known: a spindle, and a block cut by planes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.level.level_bone import LevelBone
from canalwise.estimator.level.pars_and_base_samples import pars_and_base_samples
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.estimator.removal.pars_and_spinous_base import pars_of, spinous_base
from canalwise.recon.anatomy import Frame, Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import Part, Side, label_of, sided
from tests.estimator.toys import oblique_grid, toy_level

GRID = oblique_grid((68, 48, 60), (0.4, 0.5, 0.45), (6, -4, 8))
WIDTH_TOL_MM = 0.55
"""A sample at either edge, 0.25 mm each."""

SHARE_TOL = 0.02

WAIST_MM, END_MM = 5.0, 11.0
"""Of a pars: width over its middle, and how far from its middle it has tapered to nothing."""

BASE_MM = (4.0, 9.0, 14.0)
"""Of the spinous base: width, depth and height."""


def turned_level() -> Level:
    """L3-L4 whose frame is square to nothing of the grid."""
    turn = oblique_grid((1, 1, 1), (1.0, 1.0, 1.0), (3, 4, -6)).affine_ras_mm[:3, :3].T
    return replace(toy_level(10.0), frame=Frame(np.array([0.3, -0.2, 0.1]), toy_level(10.0).frame.axes_ras @ turn))


LEVEL = turned_level()


def width_mm(z: Float) -> Float:
    """Width of a pars at a height: even over the middle, then tapering straight to its ends."""
    return WAIST_MM * np.clip((END_MM - np.abs(z)) / 5.0, 0.0, 1.0)


def share_within(signed_mm: Float) -> Float:
    """Share of a voxel that lies in a solid, from the signed depth of its centre."""
    return np.clip(0.5 - signed_mm / 0.45, 0.0, 1.0)


def level_bone() -> LevelBone:
    """Both pars as spindles, 8 mm deep, and the base as a block between them."""
    x, y, z = np.moveaxis(LEVEL.frame.to_level_mm(GRID.voxel_centres_mm()), -1, 0)
    block = np.max([np.abs(v) - mm / 2 for v, mm in zip((x, y, z), BASE_MM, strict=True)], axis=0)
    solids = {label_of("L3", Part.SPINOUS_BASE): block}
    for side, sign in (("left", 1.0), ("right", -1.0)):
        along = sign * x - 4.0
        depth = np.max([-along, along - width_mm(z), np.abs(y) - 4.0], axis=0)
        solids[label_of("L3", sided("pars", side))] = depth
    labels, share = np.zeros(GRID.shape, dtype=np.uint16), np.zeros(GRID.shape)
    for label, depth in solids.items():
        mine = (share_within(depth) > share) & (share_within(depth) > 0)
        labels[mine], share[mine] = label, share_within(depth)[mine]
    i, j, k = (slice(0, n) for n in GRID.shape)
    return LevelBone((i, j, k), GRID, (share * GRID.voxel_mm3).astype(np.float32), labels)


BONE = level_bone()
SAMPLES = pars_and_base_samples(LEVEL, BONE)


def removal_of_half_space(signed_mm: Float) -> Removal:
    """All bone where a signed depth is negative."""
    share = share_within(signed_mm).astype(np.float32).ravel()
    voxels = np.flatnonzero((share > 0) & (BONE.bone_mm3.ravel() > 0))
    return Removal(BONE, voxels, share[voxels])


def level_coordinates() -> tuple[Float, Float, Float]:
    x, y, z = np.moveaxis(LEVEL.frame.to_level_mm(GRID.voxel_centres_mm()), -1, 0)
    return x, y, z


NOTHING = Removal(BONE, np.empty(0, np.intp), np.empty(0, np.float32))


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_pars_is_as_wide_as_its_middle_and_not_as_its_tapering_ends(side: Side) -> None:
    found = pars_of(SAMPLES.pars[side], NOTHING)
    assert found.before_mm == pytest.approx(WAIST_MM, abs=WIDTH_TOL_MM)
    assert found.residual_mm == found.before_mm


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("taken_mm", [1.0, 2.5])
def test_what_is_cut_off_medially_the_pars_loses_of_its_width(side: Side, taken_mm: float) -> None:
    x, _, _ = level_coordinates()
    found = pars_of(SAMPLES.pars[side], removal_of_half_space(np.abs(x) - (4.0 + taken_mm)))
    assert found.residual_mm == pytest.approx(WAIST_MM - taken_mm, abs=WIDTH_TOL_MM)
    assert found.before_mm == pytest.approx(WAIST_MM, abs=WIDTH_TOL_MM)


def test_a_notch_at_one_height_is_the_least_width() -> None:
    x, _, z = level_coordinates()
    notch = np.maximum(np.abs(x) - 6.0, np.abs(z - 1.0) - 1.5)
    assert pars_of(SAMPLES.pars["left"], removal_of_half_space(notch)).residual_mm == pytest.approx(
        WAIST_MM - 2.0, abs=WIDTH_TOL_MM
    )


def test_a_pars_hollowed_through_its_depth_is_as_wide_as_its_wider_wall() -> None:
    """The longest unbroken run counts, not the sum of both walls."""
    x, _, _ = level_coordinates()
    found = pars_of(SAMPLES.pars["left"], removal_of_half_space(np.abs(x - 5.5) - 0.5))
    assert found.residual_mm == pytest.approx(WAIST_MM - 2.0, abs=WIDTH_TOL_MM)


def test_an_uncut_base_is_whole() -> None:
    found = spinous_base(SAMPLES.base, NOTHING)
    assert found.undercut_frac == 0.0
    assert found.bridge_mm == found.bridge_before_mm == pytest.approx(BASE_MM[1], abs=WIDTH_TOL_MM)


@pytest.mark.parametrize("taken_mm", [2.0, 4.5])
def test_a_base_undercut_from_its_front_loses_that_share_and_that_thickness(taken_mm: float) -> None:
    _, y, _ = level_coordinates()
    found = spinous_base(SAMPLES.base, removal_of_half_space(y - (taken_mm - BASE_MM[1] / 2)))
    assert found.undercut_frac == pytest.approx(taken_mm / BASE_MM[1], abs=2 * SHARE_TOL)
    assert found.bridge_mm == pytest.approx(BASE_MM[1] - taken_mm, abs=WIDTH_TOL_MM)


def test_a_base_taken_on_one_side_keeps_its_bridge_on_the_other() -> None:
    x, _, _ = level_coordinates()
    found = spinous_base(SAMPLES.base, removal_of_half_space(0.5 - x))
    assert found.undercut_frac == pytest.approx((BASE_MM[0] / 2 - 0.5) / BASE_MM[0], abs=2 * SHARE_TOL)
    assert found.bridge_mm == pytest.approx(BASE_MM[1], abs=WIDTH_TOL_MM)


def test_what_is_not_in_view_is_not_measured() -> None:
    bare = replace(BONE, labels=np.zeros_like(BONE.labels))
    weak, nothing = pars_and_base_samples(LEVEL, bare), Removal(bare, np.empty(0, np.intp), np.empty(0, np.float32))
    assert np.isnan(pars_of(weak.pars["left"], nothing).residual_mm)
    assert np.isnan(spinous_base(weak.base, nothing).bridge_mm)
