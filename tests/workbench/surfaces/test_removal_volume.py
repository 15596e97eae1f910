"""The removal the page paints: as much bone, in the same places, as the estimate counts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.level.target_names import NAMES
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.workbench.rehearsal.handlers.removal import RemovalRequest, removal
from canalwise.workbench.rehearsal.session.request import RequestJob
from canalwise.workbench.surfaces.binary_frames import frame_of
from tests.workbench import toy
from tests.workbench.rehearsal import balls


@pytest.fixture(scope="module")
def session():
    return balls.session_of(toy.anatomy(), toy.scan())


def plan_of(side):
    return default_approach(toy.anatomy(), "L3-L4", side)


def answered(session, plan):
    """The answer's header, and its volumes arranged as the page arranges them."""
    answer = removal(session, RemovalRequest(plan, NAMES), RequestJob())
    header, arrays = frame_of(answer.pop("binary"))
    assert answer == {name: header[name] for name in answer}
    return header, {name: volume.reshape(header["shape"], order="F") for name, volume in arrays.items()}


def level_points(header):
    """(..., 3) level mm of every voxel of a removal, by the header's matrix."""
    to_level = np.linalg.inv(np.array(header["index_of_level"]).reshape(4, 4))
    return np.moveaxis(np.indices(header["shape"]), 0, -1) @ to_level[:3, :3].T + to_level[:3, 3]


def bone_there_mm3(header):
    """Bone in each voxel of a removal, read from the anatomy at its level point."""
    anatomy = toy.anatomy()
    index = np.rint(anatomy.grid.index_of(toy.frame().to_world_mm(level_points(header)))).astype(int)
    i, j, k = np.moveaxis(index, -1, 0)
    return anatomy.occupancy[i, j, k] * anatomy.grid.voxel_mm3


@pytest.mark.parametrize("side", ["left", "right"])
def test_shares_add_up_to_the_estimates_bone(session, side):
    header, volumes = answered(session, plan_of(side))
    estimate = session.exact(plan_of(side), NAMES)
    for name, cost in (("task", estimate.task), ("cone", estimate.cone)):
        taken_mm3 = float((volumes[name] / 255.0 * bone_there_mm3(header)).sum())
        assert taken_mm3 == pytest.approx(cost.removal.total_mm3, rel=0.01)


def test_bone_beside_it_is_all_that_stands_there(session):
    header, volumes = answered(session, plan_of("left"))
    assert volumes["bone"] / 255.0 == pytest.approx(bone_there_mm3(header) / toy.SPACING_MM**3, abs=0.01)


@pytest.mark.parametrize(("side", "sign"), [("left", 1), ("right", -1)])
def test_most_goes_on_the_side_of_the_entry(session, side, sign):
    header, volumes = answered(session, plan_of(side))
    x = level_points(header)[..., 0]
    assert sign * np.average(x, weights=volumes["cone"]) > 1.0


def test_volume_ends_where_nothing_goes(session):
    """One voxel round it is empty, so that what is drawn fades out within it; inside, no plane is empty."""
    _, volumes = answered(session, plan_of("left"))
    held = volumes["cone"] | volumes["task"]
    for axis in range(3):
        planes = held.any(axis=tuple(a for a in range(3) if a != axis))
        assert not planes[[0, -1]].any()
        assert planes[[1, -2]].all()


def test_plan_that_meets_no_bone_gives_an_empty_volume(session):
    plan = plan_of("left")
    away = replace(
        plan,
        docking_point_mm=(8.0, 60.0, 0.0),
        phases=tuple(replace(p, tip_past_lamina_mm=0.0, medial_tilt_deg=0.0) for p in plan.phases),
    )
    header, volumes = answered(session, away)
    assert header["shape"] == [0, 0, 0]
    assert volumes["task"].size == volumes["cone"].size == 0
