"""Pars and spinous base against a plain resampling of the bone before and after, by scipy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from canalwise.estimator.level.level_bone import LevelBone
from canalwise.estimator.level.pars_and_base_samples import pars_and_base_samples
from canalwise.estimator.level.sample_spacing import (
    BONE_FRAC,
    PARS_ENDS_FRAC,
    SAMPLE_MM,
)
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.estimator.removal.pars_and_spinous_base import pars_of, spinous_base
from canalwise.recon.anatomy import Frame, Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import Part, Side, label_of, sided
from tests.estimator.toys import oblique_grid, toy_level

GRID = oblique_grid((44, 30, 40), (0.5, 0.7, 0.6), (8, -5, 12))
FLOAT_TOL = 1e-5
"""Bone shares are held in single precision."""


def scene() -> tuple[Level, LevelBone]:
    """Two waisted pars and a block for a base, partly filled at their borders; the left pars meets the grid's end."""
    turned = Frame(
        np.array([0.3, -0.2, 0.1]),
        toy_level(10.0).frame.axes_ras @ oblique_grid((1, 1, 1), (1.0, 1.0, 1.0), (3, 4, -6)).affine_ras_mm[:3, :3].T,
    )
    level = replace(toy_level(10.0), frame=turned)
    x, y, z = np.moveaxis(turned.to_level_mm(GRID.voxel_centres_mm()), -1, 0)
    shapes = {
        label_of("L3", sided("pars", side)): np.hypot((abs(x - sign * 6.5) - 0.04 * z**2) / 2.2, y / 4.0)
        - 1.0
        + np.clip(abs(z) - 8, 0, None)
        for side, sign in (("left", 1.0), ("right", -1.3))
    }
    shapes[label_of("L3", Part.SPINOUS_BASE)] = np.maximum.reduce([abs(x) / 2.6, abs(y - 1) / 5.0, abs(z) / 7.0]) - 1.0
    labels, share = np.zeros(GRID.shape, dtype=np.uint16), np.zeros(GRID.shape)
    for label, depth in shapes.items():
        share = np.maximum(share, np.clip(0.5 - 3 * depth, 0, 1))
        labels[(depth < 0.15) & (labels == 0)] = label
    i, j, k = (slice(0, n) for n in GRID.shape)
    return level, LevelBone((i, j, k), GRID, (share * (labels > 0) * GRID.voxel_mm3).astype(np.float32), labels)


LEVEL, BENCH = scene()


def removal(seed: int, label: int) -> Removal:
    """A ball of 4 mm at a chance place near the middle of a part, taken in chance shares."""
    rng = np.random.default_rng(seed)
    index = np.argwhere(BENCH.bone_mm3 > 0)
    points = GRID.world_mm(index)
    part = points[BENCH.labels[tuple(index.T)] == label]
    middle = part[np.argsort(np.linalg.norm(part - part.mean(axis=0), axis=1))[: len(part) // 2]]
    near = np.linalg.norm(points - middle[rng.integers(len(middle))], axis=1) < 4.0
    voxels = np.ravel_multi_index(tuple(index[near].T), GRID.shape)
    return Removal(BENCH, voxels, rng.uniform(0.05, 1.0, len(voxels)).astype(np.float32))


def plain_samples(label: int, taken: Removal) -> tuple[Float, Float]:
    """The part's bone before and after on samples of the level frame, all of them looked up."""
    corners = LEVEL.frame.to_level_mm(GRID.world_mm(np.argwhere(BENCH.labels == label)))
    axes = [np.arange(low - 1, high + 1, SAMPLE_MM) for low, high in zip(corners.min(0), corners.max(0), strict=True)]
    index = GRID.index_of(LEVEL.frame.to_world_mm(np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)))
    share = np.where(BENCH.labels == label, BENCH.bone_mm3 / GRID.voxel_mm3, 0.0)
    before, after = (
        ndimage.map_coordinates(field, np.moveaxis(index, -1, 0), order=1, output=float)
        for field in (share, share * (1 - taken.taken_frac))
    )
    return before, after


def plain_width_mm(bone: Float, before: Float) -> float:
    """Shortest, over the middle planes, of the longest unbroken run along x."""
    upward = np.cumsum(before.sum(axis=(0, 1)))
    middle = (upward >= PARS_ENDS_FRAC * upward[-1]) & (upward <= (1 - PARS_ENDS_FRAC) * upward[-1])
    widths = []
    for plane in np.moveaxis(bone[:, :, middle] >= BONE_FRAC, 2, 0):
        runs = ["".join("x" if value else " " for value in row).split() for row in plane.T]
        widths.append(max((len(run) for row in runs for run in row), default=0))
    return min(widths) * SAMPLE_MM


def plain_thickness_mm(bone: Float) -> float:
    """Area of the sagittal section with most bone over its height."""
    upward = bone[bone.sum(axis=(1, 2)).argmax()].sum(axis=0)
    return float(upward.sum() / (upward >= BONE_FRAC).sum() * SAMPLE_MM)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("side", ["left", "right"])
def test_pars_is_what_plain_samples_show(side: Side, seed: int):
    label = label_of("L3", sided("pars", side))
    taken = removal(seed, label)
    before, after = plain_samples(label, taken)
    found = pars_of(pars_and_base_samples(LEVEL, BENCH).pars[side], taken)
    assert (found.before_mm, found.residual_mm) == (plain_width_mm(before, before), plain_width_mm(after, before))


@pytest.mark.parametrize("seed", range(6))
def test_spinous_base_is_what_plain_samples_show(seed: int):
    label = label_of("L3", Part.SPINOUS_BASE)
    taken = removal(seed, label)
    before, after = plain_samples(label, taken)
    found = spinous_base(pars_and_base_samples(LEVEL, BENCH).base, taken)
    assert found.undercut_frac == pytest.approx(1 - after.sum() / before.sum(), abs=FLOAT_TOL)
    assert found.bridge_mm == pytest.approx(plain_thickness_mm(after), rel=FLOAT_TOL)
    assert found.bridge_before_mm == pytest.approx(plain_thickness_mm(before), rel=FLOAT_TOL)


def test_the_places_tried_are_hit():
    """Else the tests above would compare nothing with nothing."""
    weak = pars_and_base_samples(LEVEL, BENCH)
    for side, part in weak.pars.items():
        pars = [pars_of(part, removal(seed, label_of("L3", sided("pars", side)))) for seed in range(6)]
        assert sum(found.residual_mm < found.before_mm for found in pars) >= 3
    bases = [spinous_base(weak.base, removal(seed, label_of("L3", Part.SPINOUS_BASE))) for seed in range(6)]
    assert min(base.undercut_frac for base in bases) > 0.01


def test_what_is_not_in_view_is_not_told():
    bare = replace(BENCH, labels=np.zeros_like(BENCH.labels))
    weak, nothing = pars_and_base_samples(LEVEL, bare), Removal(bare, np.empty(0, np.intp), np.empty(0, np.float32))
    assert np.isnan(pars_of(weak.pars["left"], nothing).residual_mm)
    assert np.isnan(spinous_base(weak.base, nothing).bridge_mm)
