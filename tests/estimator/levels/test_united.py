"""Unions and bridges on made-up blocks, counted by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.approach.approach import Approach, Phase
from canalwise.estimator.level.level_bone import LevelBone
from canalwise.estimator.levels.lamina_bridge import bridge_heights_mm
from canalwise.estimator.levels.levels_plan import _patterns
from canalwise.estimator.levels.proposal import narrow_levels
from canalwise.estimator.levels.side_patterns import side_patterns
from canalwise.estimator.levels.united_removal import on_case, removal_on, share_on, united
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.recon.anatomy import Frame, Measurement
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Grid
from canalwise.recon.labels import SIDES, Part, label_of
from tests.workbench import toy

LAMINA = label_of("L4", Part.LAMINA_LEFT)
SHAPE = (6, 5, 12)


def crop(rng, low, high):
    """A level's bone in the box between two heights of the case's grid, of occupancies that depend on place alone."""
    whole = np.random.default_rng(7).uniform(0, 1, SHAPE).astype(np.float32)
    box = (slice(0, 6), slice(0, 5), slice(low, high))
    grid = Grid(SHAPE, np.eye(4)).cropped(box)
    labels = np.full(grid.shape, LAMINA, np.uint16)
    bone = LevelBone(box, grid, np.ascontiguousarray(whole[box]), labels)
    voxels = np.sort(rng.choice(labels.size, 60, replace=False))
    return Removal(bone, voxels, rng.uniform(0.1, 1, 60).astype(np.float32))


def test_a_voxel_that_two_levels_take_is_counted_once_at_the_greater_share(rng):
    above, below = crop(rng, 0, 8), crop(rng, 4, 12)
    found = united([above, below], SHAPE)
    expected: dict[tuple[int, ...], float] = {}
    bone = {}
    for one in (above, below):
        for flat, share in zip(one.voxels, one.share, strict=True):
            index = np.unravel_index(flat, one.level_bone.grid.shape)
            place = tuple(int(i) + s.start for i, s in zip(index, one.level_bone.box, strict=True))
            expected[place] = max(expected.get(place, 0.0), float(share))
            bone[place] = float(one.level_bone.bone_mm3[index])
    assert len(expected) < 120  # they do overlap
    assert len(found.voxels) == len(expected)
    assert found.total_mm3 == pytest.approx(sum(share * bone[place] for place, share in expected.items()), rel=1e-5)
    assert found.total_mm3 < above.total_mm3 + below.total_mm3
    assert found.total_mm3 > max(above.total_mm3, below.total_mm3)


def test_one_alone_is_itself_and_twice_the_same_adds_nothing(rng):
    one = crop(rng, 2, 9)
    assert united([one, one], SHAPE).total_mm3 == pytest.approx(one.total_mm3)
    back = removal_on(one.level_bone, united([one], SHAPE), ("L3", "L4"))
    assert len(removal_on(one.level_bone, united([one], SHAPE), ("L2", "L3")).voxels) == 0
    assert (back.voxels == one.voxels).all()
    assert (back.share == one.share).all()


def slab():
    """A lamina 10 mm wide, 4 mm thick and 20 mm high, in voxels of 1 mm."""
    shape = (10, 4, 20)
    grid = Grid(shape, np.eye(4))
    box = tuple(slice(0, n) for n in shape)
    bone = LevelBone(box, grid, np.ones(shape, np.float32), np.full(shape, LAMINA, np.uint16))
    return bone, Frame(np.zeros(3), np.eye(3))


def taken(columns, rows, depth=4):
    """(10, 4, 20) array: a window through the slab."""
    share = np.zeros((10, 4, 20), np.float32)
    share[columns, :depth, rows] = 1.0
    return share


EVERY, MEDIAL, LATERAL = slice(0, 10), slice(0, 3), slice(8, 10)


def test_the_bridge_is_what_both_windows_leave():
    bone, frame = slab()
    found = bridge_heights_mm(bone, frame, LAMINA, (taken(EVERY, slice(16, 20)), taken(EVERY, slice(0, 6))))
    assert found == (10.0, 20.0)


def test_a_row_that_keeps_half_its_thickness_stands():
    bone, frame = slab()
    thinned = taken(EVERY, slice(10, 20), depth=2)
    thinned[:, :, 17:] = 1.0
    assert bridge_heights_mm(bone, frame, LAMINA, (thinned, taken(EVERY, slice(0, 6))))[0] == 11.0
    thinned[:, :3, 10:] = 1.0
    assert bridge_heights_mm(bone, frame, LAMINA, (thinned, taken(EVERY, slice(0, 6))))[0] == 4.0


def test_windows_that_do_not_face_each_other_have_no_bridge():
    bone, frame = slab()
    apart = (taken(MEDIAL, slice(16, 20)), taken(LATERAL, slice(0, 6)))
    assert np.isnan(bridge_heights_mm(bone, frame, LAMINA, apart)).all()
    nothing = np.zeros((10, 4, 20), np.float32)
    assert np.isnan(bridge_heights_mm(bone, frame, LAMINA, (taken(EVERY, slice(16, 20)), nothing))).all()
    assert np.isnan(bridge_heights_mm(bone, frame, LAMINA + 1, apart)).all()


def test_what_met_in_the_middle_leaves_no_bridge():
    bone, frame = slab()
    assert bridge_heights_mm(bone, frame, LAMINA, (taken(EVERY, slice(9, 20)), taken(EVERY, slice(0, 9))))[0] == 0.0


def test_shares_go_to_the_case_and_back(rng):
    one = crop(rng, 3, 10)
    dense = share_on(one.level_bone, on_case(one.level_bone, one.voxels, SHAPE), one.share, SHAPE)
    assert (dense == one.taken_frac).all()


def test_sides_in_turn_alternate():
    turns = side_patterns(["L2-L3", "L3-L4", "L4-L5"])["alternating from the right"]
    assert turns == ("right", "left", "right")


def test_levels_are_proposed_by_a_measured_sac_alone():
    anatomy = toy.anatomy()
    with pytest.raises(AnatomyNotFound, match="--levels"):
        narrow_levels(anatomy)
    narrow = Measurement("dural sac area", 80.0, "mm2", "dural sac", "dural sac at disc", "central stenosis", "example")
    level = replace(anatomy.levels[0], measurements=(narrow,))
    assert narrow_levels(replace(anatomy, levels=(level,))) == ("L3-L4",)
    modelled = replace(level, measurements=(replace(narrow, band=""),))
    with pytest.raises(AnatomyNotFound):
        narrow_levels(replace(anatomy, levels=(modelled,)))


def test_sides_agree_with_the_plans_given():
    names = ["L2-L3", "L3-L4", "L4-L5"]
    phases = (Phase("ipsilateral", 0.0),)
    plans = {
        name: Approach(name, side, (8.0, 12.0, 0.0), 50.0, phases) for name, side in zip(names, SIDES, strict=False)
    }
    assert list(_patterns(names, None, {"L3-L4": plans["L3-L4"]})) == [
        "all from the right",
        "alternating from the left",
    ]
    assert _patterns(names, None, plans) == {"alternating from the left": ("left", "right", "left")}
    both_left = {"L2-L3": plans["L2-L3"], "L3-L4": replace(plans["L3-L4"], side="left")}
    assert _patterns(names, None, both_left) == {"all from the left": ("left", "left", "left")}
    odd = both_left | {"L4-L5": Approach("L4-L5", "right", (8.0, 12.0, 0.0), 50.0, phases)}
    assert _patterns(names, None, odd) == {"as given": ("left", "left", "right")}
