"""The course of a resection ends at its steps' sums, gives nothing back, and its volume cuts what is counted."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.estimator.estimate.estimate import estimate_of
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.outcome.course import INSTANTS_A_STEP, course_of
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.outcome.steps import STEP_NAMES
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.workbench.surfaces.binary_frames import frame_of
from canalwise.workbench.surfaces.removal_volume import STEP_UNITS, removal_of_estimate
from tests.workbench import toy


@pytest.fixture(scope="module")
def prepared():
    return prepared_level(toy.pressed_anatomy(), "L3-L4")


@pytest.fixture(scope="module", params=["left", "right"])
def found(prepared, request):
    return decompressed(prepared, default_approach(toy.pressed_anatomy(), "L3-L4", request.param))


def test_the_end_of_each_step_is_the_sum_of_the_steps(found):
    course = course_of(found.resection)
    ends = slice(INSTANTS_A_STEP, None, INSTANTS_A_STEP)
    assert course.bone_mm3[ends] == pytest.approx(np.cumsum([step.bone_mm3 for step in found.steps]), abs=1e-2)
    assert course.area_mm2[ends] == pytest.approx(np.cumsum([step.area_gained_mm2 for step in found.steps]), abs=1e-6)


def test_nothing_is_given_back(found):
    course = course_of(found.resection)
    for running in (course.bone_mm3, course.area_mm2, *course.joint_frac.values()):
        assert running[0] == pytest.approx(0.0)
        assert (np.diff(running) >= -1e-9).all()
    assert len(course.removed_at) == len(found.resection.removal.voxels)
    assert ((course.removed_at >= 0) & (course.removed_at <= len(STEP_NAMES))).all()


def test_the_volume_cuts_away_what_is_counted(prepared, found):
    estimate = estimate_of(prepared, found.resection.approach)
    header, arrays = frame_of(removal_of_estimate(estimate, found)["binary"])
    shape = header["shape"]
    taken, when, bone = (arrays[name].reshape(shape, order="F") for name in ("taken", "when", "bone"))
    voxel = prepared.level_bone.grid.voxel_mm3
    within = float((bone / 255.0)[taken > 127].sum() * voxel)
    assert within == pytest.approx(found.cost.total_mm3, rel=0.15, abs=20.0)  # drawn by whole voxels here
    solid = (taken > 140) & (bone > 0)  # empty space far from what goes has no time
    assert solid.any()
    assert when[solid].max() <= STEP_UNITS * len(STEP_NAMES)
    assert header["course"]["bone_mm3"][-1] == pytest.approx(found.cost.total_mm3, abs=1e-2)
