"""The 3D pictures show what is taken, where it is taken, and nothing that is not."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.estimator.approach.approach import Approach, Phase
from canalwise.workbench.images.planned_case import PlannedCase, PlannedRemoval
from canalwise.workbench.images.solids import dorsal_oblique, picture_of, solids_of, views_of
from canalwise.workbench.style.palette import REMOVED, SAC, rgb_frac
from tests.workbench import toy

pytestmark = pytest.mark.usefixtures("coarse_pictures")


def planned(share):
    anatomy = toy.anatomy()
    approach = Approach(
        "L3-L4", "left", (8.0, 12.0, 4.0), 50.0, (Phase("ipsilateral", 0.0), Phase("over the top", 20.0))
    )
    return PlannedCase(toy.scan(), anatomy, anatomy.levels[0], approach, PlannedRemoval(anatomy.grid, share, share))


def left_lamina():
    return (toy.labels() == 2206).astype(np.float32)


def near_hue(picture, colour):
    """Share of pixels whose colour, brightness aside, is near the named one."""
    pixels = picture.reshape(-1, 3) / 255
    unit = pixels / np.maximum(np.linalg.norm(pixels, axis=1, keepdims=True), 1e-6)
    want = np.array(rgb_frac(colour))
    return float((unit @ (want / np.linalg.norm(want)) > 0.985).mean())


def test_removed_bone_is_painted_on_its_side_only():
    before, after = solids_of(toy.anatomy(), toy.anatomy().levels[0], planned(left_lamina()).taken)
    frame = toy.frame()
    from_left = picture_of(before, dorsal_oblique("left"), frame)
    from_right = picture_of(before, dorsal_oblique("right"), frame)
    assert near_hue(from_left, REMOVED) > 0.02
    assert near_hue(from_right, REMOVED) < near_hue(from_left, REMOVED) / 5
    assert near_hue(picture_of(after, dorsal_oblique("left"), frame), REMOVED) == 0


def test_what_is_removed_opens_the_view_on_the_sac():
    before, after = solids_of(toy.anatomy(), toy.anatomy().levels[0], planned(left_lamina()).taken)
    views = [near_hue(picture_of(solids, dorsal_oblique("left"), toy.frame()), SAC) for solids in (before, after)]
    assert views[1] > 1.5 * views[0]


def test_nothing_removed_nothing_painted_and_same_before_and_after():
    pictures = views_of(planned(np.zeros(toy.SHAPE, np.float32)))
    assert len(pictures) == 4
    assert near_hue(pictures["afterwards, from the left"], REMOVED) == 0


def test_symmetric_patient_gives_mirrored_pictures_but_for_the_lamp():
    nothing = planned(np.zeros(toy.SHAPE, np.float32)).taken
    before, _ = solids_of(toy.anatomy(), toy.anatomy().levels[0], nothing)
    left, right = (picture_of(before, dorsal_oblique(side), toy.frame()) for side in ("left", "right"))
    shapes = [(picture != 255).any(axis=-1) for picture in (left, right[:, ::-1])]
    assert (shapes[0] != shapes[1]).mean() < 0.01


def test_channel_is_drawn_translucent_over_the_bone():
    made = planned(left_lamina())
    before, _ = solids_of(made.anatomy, made.level, made.taken)
    bare, shown = (picture_of(before, dorsal_oblique("left"), toy.frame(), phases) for phases in ((), made.phases))
    changed = (bare != shown).any(axis=-1)
    assert 0.02 < changed.mean() < 0.4
