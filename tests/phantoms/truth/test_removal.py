"""Removal, facets and reach of a phantom against closed forms and laws."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.solid.quadrature import Volumes
from canalwise.phantoms.spec import SpineSpec
from canalwise.phantoms.truth.level import LevelTruth, part_volumes
from canalwise.phantoms.truth.removal import facets_kept, for_task, reached, rehearsal_of, removed_volumes, width_slab
from canalwise.phantoms.truth.swept_region import protected_parts
from canalwise.recon.labels import Part, label_of

VOLUME_TOL = 2e-3
NO_SAC_MM = 50.0
"""A retraction that leaves no sac to avoid."""


def _geometry(
    pivot_ras: Any,
    axis_ras: Any,
    *,
    protected: tuple[str, ...] = (),
    retraction_mm: float = NO_SAC_MM,
    sleeve: tuple[float, float] = (3.0, 6.0),
    tool: tuple[float, float] = (2.0, 6.0),
    sweep_deg: float = 0.0,
) -> dict[str, Any]:
    phase = {
        "name": "x",
        "pivot_ras_mm": list(pivot_ras),
        "axis_ras": list(axis_ras),
        "sweep_deg": sweep_deg,
        "sleeve_radius_mm": sleeve[0],
        "sleeve_depth_mm": sleeve[1],
        "tool_radius_mm": tool[0],
        "tip_depth_mm": tool[1],
    }
    keep_out = {"structure": "sac", "retraction_mm": retraction_mm, "clearance_mm": 0.5}
    return {"phases": [phase], "keep_out": keep_out, "protected": list(protected)}


def _in_body(spine: Spine, **keys: Any) -> dict[str, Any]:
    pose = spine.poses["L4"]
    return _geometry(pose.to_world_mm([0.0, -16.0, 3.0]), pose.direction_ras([0.0, -0.6, -0.8]), **keys)


def test_capsule_inside_the_body_removes_its_own_volume(normal: Spine) -> None:
    """A cylinder of length 6 and radius 3 with two half balls, all inside L4's body."""
    volumes = removed_volumes(rehearsal_of(normal, "L3-L4", _in_body(normal)))
    expected = np.pi * 9 * 6 + 4 / 3 * np.pi * 27
    assert set(volumes.by_label_mm3) == {label_of("L4", Part.BODY)}
    assert volumes.total_mm3() == pytest.approx(expected, rel=VOLUME_TOL)


def test_protected_part_is_not_removed(normal: Spine) -> None:
    rehearsal = rehearsal_of(normal, "L3-L4", _in_body(normal, protected=("body",)))
    assert removed_volumes(rehearsal).total_mm3() == 0.0


def test_names_of_protected_parts() -> None:
    assert protected_parts(["pedicle_left", "Spinous Process"]) == (Part.PEDICLE_LEFT, Part.SPINOUS_PROCESS)


def test_bone_behind_the_sac_is_never_removed(normal: Spine, normal_l3_l4: LevelTruth) -> None:
    """Straight ventral from behind, deep through the canal: the body's bone lies in the sac's shadow."""
    frame, wide = normal_l3_l4.frame, {"sleeve": (2.0, 95.0), "tool": (2.0, 95.0)}
    pivot, axis = frame.to_world_mm([0.0, 60.0, 9.0]), frame.direction_ras([0.0, -1.0, 0.0])
    body = label_of("L3", Part.BODY)
    shadowed = removed_volumes(rehearsal_of(normal, "L3-L4", _geometry(pivot, axis, retraction_mm=2.0, **wide)))
    free = removed_volumes(rehearsal_of(normal, "L3-L4", _geometry(pivot, axis, **wide)))
    assert shadowed.by_label_mm3.get(body, 0.0) == 0.0
    assert free.by_label_mm3[body] > 50.0
    arch = [n for n in free.by_label_mm3 if n % 100 != Part.BODY]
    assert shadowed.total_mm3(arch) == pytest.approx(free.total_mm3(arch), rel=1e-6)


def test_reach_by_hand(normal: Spine, normal_l3_l4: LevelTruth) -> None:
    """A tool of radius 2 whose cone ends at depth 6 touches up to depth 8 on its axis and 2 mm beside it."""
    frame = normal_l3_l4.frame
    pivot, axis = frame.to_world_mm([25.0, 40.0, 0.0]), frame.direction_ras([0.0, -1.0, 0.0])
    rehearsal = rehearsal_of(normal, "L3-L4", _geometry(pivot, axis))
    points = np.array([[25.0, 32.01, 0], [25.0, 31.9, 0], [26.9, 36.0, 0], [27.1, 36.0, 0]])
    assert reached(rehearsal, frame.to_world_mm(points)).tolist() == [True, False, True, False]


def test_sac_in_the_path_and_protected_bone_both_stop_the_tool(normal: Spine, normal_l3_l4: LevelTruth) -> None:
    frame, long_tool = normal_l3_l4.frame, {"tool": (2.0, 80.0), "retraction_mm": 1.0}
    pivot, axis = frame.to_world_mm([0.0, 60.0, -6.0]), frame.direction_ras([0.0, -1.0, 0.0])
    behind_sac = frame.to_world_mm([[0.0, -8.0, -6.0]])
    assert reached(rehearsal_of(normal, "L3-L4", _geometry(pivot, axis, tool=(2.0, 80.0))), behind_sac).all()
    assert not reached(rehearsal_of(normal, "L3-L4", _geometry(pivot, axis, **long_tool)), behind_sac).any()
    blocked = _geometry(pivot, axis, tool=(2.0, 80.0), protected=("spinous process",))
    assert not reached(rehearsal_of(normal, "L3-L4", blocked), behind_sac).any()


def test_facets_untouched_by_a_far_channel_and_all_gone_under_a_huge_one(
    normal: Spine, normal_l3_l4: LevelTruth
) -> None:
    processes = [
        label_of(v, p) for v, kind in (("L3", "INFERIOR"), ("L4", "SUPERIOR")) for p in Part if p.name.startswith(kind)
    ]
    both = Volumes(dict.fromkeys(processes, 2000.0), {})
    far = rehearsal_of(normal, "L3-L4", _in_body(normal))
    kept = facets_kept(far, normal_l3_l4.frame, normal_l3_l4.joints, removed_volumes(far), both)
    assert all(k.area_frac == k.width_frac == k.volume_frac == 1.0 for k in kept.values())
    huge = rehearsal_of(
        normal, "L3-L4", _geometry(normal_l3_l4.joints["left"].centre_ras_mm, [0.0, 1.0, 0.0], sleeve=(22.0, 1.0))
    )
    all_gone = Volumes(dict.fromkeys(processes, 500.0), {})
    kept = facets_kept(huge, normal_l3_l4.frame, normal_l3_l4.joints, all_gone, both)
    assert kept["left"].area_frac == kept["left"].width_frac == 0.0
    assert kept["left"].volume_frac == pytest.approx(0.75)


def test_width_slab_falls_back_to_the_nearest_pairs() -> None:
    assert width_slab(np.array([0.5, -0.9, 3.0])).tolist() == [True, True, False]
    assert width_slab(np.array([-4.0, -5.0, -7.0])).tolist() == [True, True, False]


@pytest.mark.thorough
def test_parts_add_up_to_the_vertebra_within_the_claimed_error(normal: Spine) -> None:
    volumes = part_volumes(normal, "L3", fine=4)
    # the large parts meet the claim of 0.1 %; small ones with long borders stay within 0.5 %
    assert volumes.error_frac[label_of("L3", Part.BODY)] < 1e-3
    assert max(volumes.error_frac.values()) < 5e-3
    left, right = (volumes.by_label_mm3[label_of("L3", p)] for p in (Part.LAMINA_LEFT, Part.LAMINA_RIGHT))
    assert left == pytest.approx(right, rel=5e-3)
    assert normal.spec == SpineSpec()


def test_a_tasks_path_inside_the_body_removes_its_own_volume(normal: Spine) -> None:
    """A scope of radius 3 for 5 mm, then a tool of radius 2 for 6 mm: cylinders and their ends, less what both share.

    They share the tool's near half ball, and of its cylinder the part within the scope's far half ball.
    """
    pose = normal.poses["L4"]
    start, axis = pose.to_world_mm([0.0, -16.0, 5.0]), pose.direction_ras([0.0, -0.6, -0.8])
    path = {"pivot_ras_mm": list(start), "targets_ras_mm": [list(start + 11.0 * axis)]}
    geometry = _in_body(normal, tool=(2.0, 6.0)) | {
        "scope_radius_mm": 3.0,
        "working_distance_mm": 6.0,
        "task_paths": [path],
    }
    taken = removed_volumes(for_task(rehearsal_of(normal, "L3-L4", geometry), geometry))
    scope = np.pi * 9 * 5 + 4 / 3 * np.pi * 27
    # The cylinder of radius 2 within the half ball of radius 3 on the same axis: up to sqrt(5), then the ball's cap.
    cut = np.sqrt(9.0 - 4.0)
    shared = np.pi * 4 * cut + np.pi * (3.0 - cut) ** 2 * (2 * 3.0 + cut) / 3
    assert taken.total_mm3() == pytest.approx(scope + np.pi * 4 * 6 + 2 / 3 * np.pi * 8 - shared, rel=VOLUME_TOL)


def test_a_task_that_touches_nothing_takes_nothing(normal: Spine) -> None:
    geometry = _in_body(normal) | {
        "scope_radius_mm": 3.0,
        "working_distance_mm": 6.0,
        "task_paths": [{"pivot_ras_mm": [0.0, 0.0, 0.0], "targets_ras_mm": []}],
    }
    taken = removed_volumes(for_task(rehearsal_of(normal, "L3-L4", geometry), geometry))
    assert taken.total_mm3() == 0.0
