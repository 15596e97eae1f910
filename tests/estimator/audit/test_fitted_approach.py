"""A plan carried out with execution errors is found again from the bone it took; areas lie where they must."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.estimator.audit.areas import audited_areas
from canalwise.estimator.audit.fitted_approach import ToolMotion, fitted_approach, moved_approach, tool_paths
from canalwise.estimator.audit.taken_bone import TakenBone, VoxelRegion
from canalwise.estimator.removal.bone_removal import Removal

TILT_DEG, SHIFT_MM = 3.0, 1.0
"""By how much a fitted tilt and shift may be off."""

STRAYED = ToolMotion(1.5, -1.0, 0.5, (4.0, -3.0), (-2.0, 3.0))


@pytest.fixture(scope="session")
def paths(found):
    """The plan's tool paths on a lattice."""
    return tool_paths(found.resection)


def executed_removal(prepared, paths, motion: ToolMotion) -> Removal:
    """The bone that the plan takes when it is moved."""
    level_bone = prepared.level_bone
    voxels = level_bone.takeable.voxels
    index = np.stack(np.unravel_index(voxels, level_bone.grid.shape), axis=-1)
    share = paths.share_at(level_bone.grid.world_mm(index), motion).astype(np.float32)
    return Removal(level_bone, voxels[share > 0], share[share > 0])


def test_paths_that_are_not_moved_take_what_was_planned(prepared, found, paths):
    planned, read = found.resection.removal, executed_removal(prepared, paths, ToolMotion())
    assert read.total_mm3 == pytest.approx(planned.total_mm3, rel=0.1)


def test_side_tilts_and_shift_of_a_disturbed_execution_are_found(prepared, found, paths):
    taken = executed_removal(prepared, paths, STRAYED)
    fitted = fitted_approach(prepared, taken, found.resection.approach)
    assert fitted.approach.side == "left"
    assert fitted.reference == "plan"
    assert fitted.overlap_frac["left"] > max(0.85, fitted.overlap_frac["right"])
    for found_mm, true in (
        (fitted.motion.medial_deg, STRAYED.medial_deg),
        (fitted.motion.cranial_deg, STRAYED.cranial_deg),
    ):
        assert np.abs(np.subtract(found_mm, true)).max() <= TILT_DEG
    assert abs(fitted.motion.lateral_mm - STRAYED.lateral_mm) < SHIFT_MM
    assert abs(fitted.motion.cranial_mm - STRAYED.cranial_mm) < SHIFT_MM


def test_a_motion_and_its_inverse_meet():
    docking, places = np.array([8.0, 14.0, 0.0]), np.array([[3.0, 2.0, -4.0], [8.0, 14.0, 0.0]])
    for side in ("left", "right"):
        before = STRAYED.before_mm(side, docking, 1, places)
        again = (before - docking) @ STRAYED.turn(side, 1).T + docking + STRAYED.shift_mm(side)
        assert np.allclose(again, places)


def test_a_medial_tilt_leans_across_on_either_side(found):
    plan = found.resection.approach
    moved = moved_approach(plan, ToolMotion(medial_deg=(5.0, 5.0)))
    assert moved.phases[0].medial_tilt_deg == pytest.approx(plan.phases[0].medial_tilt_deg + 5.0, abs=1e-6)


def test_nothing_taken_is_explained_by_no_approach(prepared):
    nothing = Removal(prepared.level_bone, np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.float32))
    assert fitted_approach(prepared, nothing, None) is None


def test_areas_lie_between_before_and_the_canal_without_ligament(found):
    resection, areas = found.resection, found.freed.areas
    region = VoxelRegion(resection.removal.level_bone.grid, resection.removal.taken_frac)
    taken = TakenBone(resection.removal, region, 25.0, (0.0, 0.0), 0.0, 0.0, 0.0)
    share = resection.removal.taken_frac.reshape(-1)[resection.at.wanted.voxels]
    found_mm = audited_areas(resection.at, areas, taken, (areas, share), None)
    assert np.allclose(found_mm.achieved_bone_mm2, found_mm.planned_bone_mm2)
    assert (found_mm.achieved_bone_mm2 >= found_mm.before_mm2 - 1e-9).all()
    assert (found_mm.achieved_most_mm2 >= found_mm.achieved_bone_mm2 - 1e-9).all()
    assert (found_mm.achieved_most_mm2 <= areas.needed_mm2 + 1e-6).all()
    assert "does not show" in found_mm.note
