"""What a resection comes to, counted anew from labels and places: reach, steps, what stays in the room, docking."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.outcome.decompressed import DecompressedLevel
from canalwise.estimator.planning.default_approach import docking_point_mm, resting_point_mm
from canalwise.estimator.planning.docking import STEP_MM, docking_map
from canalwise.estimator.resection.resection import resection_level_of
from canalwise.recon.labels import Part, Tissue, label_of
from tests.estimator.resection.toy_canal import FREE_MM, HALF_MM, half_ring_mm2, toy_level

ROUNDING_MM3 = 1e-3
"""Shares are kept in single precision."""

MIDLINE_PARTS = (Part.SPINOUS_BASE, Part.SPINOUS_PROCESS)


def test_the_reach_ends_at_the_far_face_of_the_farthest_tissue_taken(found: DecompressedLevel) -> None:
    wanted, taken = found.resection.at.wanted, found.resection.taken_frac
    far = wanted.on_side(other_side(found.resection.approach.side)) & (taken > 0.99)
    edge = wanted.level_bone.grid.voxel_mm3 ** (1 / 3)
    farthest = float(np.abs(wanted.level_mm[far, 0]).max())
    assert farthest + 0.48 * edge <= found.reach.lateral_mm <= farthest + edge


def test_bone_of_the_midline_goes_in_its_own_step_and_all_others_by_side(found: DecompressedLevel) -> None:
    removal, approach = found.resection.removal, found.resection.approach
    grid = removal.level_bone.grid
    index = np.stack(np.unravel_index(removal.voxels, grid.shape), axis=-1)
    x = found.resection.at.level.frame.to_level_mm(grid.world_mm(index))[:, 0]
    midline = np.isin(removal.labels % 100, MIDLINE_PARTS)
    near = (x >= 0) == (approach.side == "left")
    by_step = {step.name: step.bone_mm3 for step in found.steps}
    whole = {
        "spinous base": float(removal.taken_mm3[midline].sum()),
        "near laminotomy": float(removal.taken_mm3[~midline & near].sum()),
        "far undercutting": float(removal.taken_mm3[~midline & ~near].sum()),
    }
    # bone about the roots is taken last, from whichever of these it belongs to
    short = {name: mm3 - by_step[name] for name, mm3 in whole.items()}
    assert min(short.values()) >= -ROUNDING_MM3
    assert sum(short.values()) == pytest.approx(by_step["roots"], abs=ROUNDING_MM3)
    assert by_step["spinous base"] > 0.5 * whole["spinous base"] > 0


def test_a_disc_that_bulges_into_the_room_is_counted_and_not_taken() -> None:
    """In front of the pressed sac, half a ring as large as that of ligament behind it."""
    toy = toy_level(0.8)
    x, y, z = np.moveaxis(toy.level.frame.to_level_mm(toy.anatomy.grid.voxel_centres_mm()), -1, 0)
    bulge = (toy.anatomy.labels == Tissue.CANAL) & (np.abs(z) <= HALF_MM) & (y < 0) & (np.hypot(x, y) < FREE_MM)
    labels = np.where(bulge, label_of("L3", Part.DISC), toy.anatomy.labels).astype(np.uint16)
    wanted = resection_level_of(PreparedLevel(replace(toy.anatomy, labels=labels), toy.level)).wanted
    assert wanted.standing_mm3["disc"] == pytest.approx(half_ring_mm2() * 2 * HALF_MM, rel=0.05)
    assert not np.isin(wanted.labels % 100, Part.DISC).any()


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_map_of_docking_points_holds_that_of_the_usual_plan(prepared: PreparedLevel, side) -> None:
    level, radius_mm = prepared.level, 4.0
    at = docking_point_mm(prepared.anatomy, level, side, radius_mm)
    assert resting_point_mm(prepared.anatomy, level, side, at, radius_mm) == pytest.approx(at, abs=1e-6)
    found = docking_map(level, prepared.level_bone, side, radius_mm)
    lateral, cranial = found.toward_side * at[0], (at - found.centre_mm) @ found.cranial
    there = found.points_mm(np.array([lateral]), np.array([cranial]))[0]
    assert np.linalg.norm(there - at) <= 2 * STEP_MM
    assert found.height_mm.max() > 2.0
