"""A case opened for rehearsal keeps in memory what the level on the page needs, and little of others."""

from __future__ import annotations

import numpy as np

from canalwise.estimator.level.prepared_level import FOR_MANY_APPROACHES, prepared_level
from tests.workbench import toy
from tests.workbench.rehearsal import balls


def test_only_the_level_last_asked_for_keeps_what_many_approaches_need():
    anatomy = toy.pressed_anatomy()
    session = balls.session_of(anatomy, toy.scan())
    other = session._prepared.found("another level", lambda: prepared_level(anatomy, "L3-L4"))
    before, thinner = other.scene, other.thinner
    latest = session.prepared("L3-L4")
    assert latest is not other
    assert not set(FOR_MANY_APPROACHES) & set(vars(other))
    assert other.scene is not before
    np.testing.assert_array_equal(other.scene.cloud.xyz, before.cloud.xyz)
    np.testing.assert_array_equal(other.scene.cloud.sight, before.cloud.sight)
    np.testing.assert_array_equal(other.thinner.level_bone.bone_mm3, thinner.level_bone.bone_mm3)
    kept = latest.scene
    assert session.prepared("L3-L4").scene is kept
