"""The scene for those who script: right places, right sizes, nothing drawn (drawing needs a graphics library)."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.estimator.approach.approach import placed_phases
from canalwise.estimator.estimate.estimate import estimate
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.case.folder import read_case
from canalwise.workbench.pyvista_scene import scene_blocks

pyvista = pytest.importorskip("pyvista")

VOXEL_MM = 1.0
"""Of the toy; surfaces lie within a voxel of what they bound."""


@pytest.fixture(scope="module", params=["left", "right"])
def shown(request, tmp_path_factory):
    from canalwise.recon.case.folder import write_case
    from tests.workbench import toy

    folder = tmp_path_factory.mktemp("scene") / "case"
    write_case(folder, toy.scan(), toy.anatomy())
    case = read_case(folder)
    approach = default_approach(case.anatomy, "L3-L4", request.param)
    return case, approach, scene_blocks(case, approach)


def test_tubes_lie_on_their_axes_and_are_as_thick_as_the_instrument(shown):
    case, approach, blocks = shown
    for phase in placed_phases(approach, case.anatomy.level("L3-L4").frame):
        tube = blocks[f"tool {phase.name}"]
        offset = tube.points - phase.pivot_ras_mm
        along = offset @ phase.axis_ras
        off_axis = np.linalg.norm(offset - along[:, None] * phase.axis_ras, axis=1)
        assert off_axis == pytest.approx(phase.tool_radius_mm, abs=1e-3)
        assert [along.min(), along.max()] == pytest.approx([0.0, phase.tip_depth_mm], abs=1e-3)


def test_bone_to_remove_encloses_what_the_task_takes(shown):
    case, approach, blocks = shown
    taken_mm3 = estimate(case.anatomy, approach).task.removal.total_mm3
    # a half-share surface of a part of a few voxels' thickness is coarse: the law is the place, the size is a sanity
    assert blocks["bone to remove"].volume == pytest.approx(taken_mm3, rel=0.35)


def test_vertebrae_are_where_their_labels_are(shown):
    case, _, blocks = shown
    grid = case.anatomy.grid
    for number, name in ((22, "L3"), (23, "L4")):
        voxels = grid.world_mm(np.argwhere(case.anatomy.labels // 100 == number))
        low, high = voxels.min(axis=0), voxels.max(axis=0)
        assert np.abs(np.array(blocks[name].bounds).reshape(3, 2).T - [low, high]).max() <= VOXEL_MM
