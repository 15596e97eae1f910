"""The truth of one level of a phantom in one value, and its JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.solid.point_batch import box_around
from canalwise.phantoms.solid.pose import Pose
from canalwise.phantoms.solid.quadrature import COARSE_MM, FINE, Volumes, label_volumes
from canalwise.phantoms.truth.frame import canal_section, level_frame
from canalwise.phantoms.truth.joint import JointTruth, joint_truth
from canalwise.phantoms.truth.landmarks import landmarks
from canalwise.phantoms.truth.targets import targets
from canalwise.phantoms.truth.window import WindowTruth, dorsal_view, is_bone, view_pose, window_normal, window_truth
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Side, level_vertebrae, vertebra_number

BESIDE_WINDOW_MM = 5.0
"""The dorsal view reaches this far beyond both laminae's edges, short of the neighbouring windows."""

SCHEMA = "canalwise phantom truth 1"


@dataclass(frozen=True, eq=False)
class LevelTruth:
    """All that is known of one level: frame, joints, windows, targets, landmarks and areas.

    `areas_mm2` has 'canal at disc', 'dural sac at disc', 'canal at pedicle' and
    'dural sac at pedicle' (of the lower vertebra, mid-pedicle, across its own axis).
    """

    name: str
    frame: Pose
    joints: Mapping[Side, JointTruth]
    windows: Mapping[Side, WindowTruth]
    targets_ras_mm: Mapping[Side, Mapping[str, Float]]
    landmarks_ras_mm: Mapping[str, Float]
    areas_mm2: Mapping[str, float]


def level_truth(spine: Spine, level: str) -> LevelTruth:
    """The truth of one level; takes a few seconds."""
    frame = level_frame(spine, level)
    joints = {side: joint_truth(spine, level, side, frame) for side in SIDES}
    marks = landmarks(spine, level, frame) | {
        f"facet_centre_{side}": joint.centre_ras_mm for side, joint in joints.items()
    }
    windows = _windows(spine, frame, marks)
    aims = {side: targets(spine, frame, side, marks) for side in SIDES}
    return LevelTruth(level, frame, joints, windows, aims, marks, areas_mm2(spine, level, frame))


def _windows(spine: Spine, frame: Pose, marks: Mapping[str, Float]) -> dict[Side, WindowTruth]:
    upper, lower = (
        np.mean([frame.to_local_mm(marks[f"{edge}_{side}"]) for side in SIDES], axis=0)
        for edge in ("upper_lamina_caudal_edge", "lower_lamina_cranial_edge")
    )
    normal = window_normal(upper, lower)
    centre = (upper + lower) / 2 * [0.0, 1.0, 1.0]
    view = dorsal_view(
        spine, view_pose(frame, normal, centre), float(np.linalg.norm((upper - lower)[1:])) / 2 + BESIDE_WINDOW_MM
    )
    found = {side: window_truth(view, side) for side in SIDES}
    return {side: window for side, window in found.items() if window is not None}


def areas_mm2(spine: Spine, level: str, frame: Pose) -> dict[str, float]:
    """Areas of the bony canal and the sac at the disc's mid-plane and at the lower vertebra's mid-pedicle."""
    lower = level_vertebrae(level)[1]
    pedicle = spine.poses[lower].moved([0.0, 8.0, spine.vertebrae[lower].pedicle_z_mm])
    found = {}
    for where, pose in (("disc", frame), ("pedicle", pedicle)):
        section = canal_section(spine, pose, 0.0)
        found[f"canal at {where}"] = section.area_mm2()
        found[f"dural sac at {where}"] = section.area_mm2(spine.canal.sac_mm(section.world_mm))
    return found


def part_volumes(spine: Spine, vertebra: str, *, coarse_mm: float = COARSE_MM, fine: int = FINE) -> Volumes:
    """Volume of every part of one vertebra by label; the stated error is the change against another refinement."""

    def ask(points_mm: Float) -> np.ndarray:
        labels = spine.label_and_depth(points_mm)[0]
        labels[~is_bone(labels) | (labels // 100 != vertebra_number(vertebra))] = 0
        return labels

    low, high = spine.bone.vertebrae[vertebra].box
    return label_volumes(ask, box_around([low, high], 2.0), coarse_mm=coarse_mm, fine=fine, check=fine - 1)


def truth_json(spine: Spine, truths: Mapping[str, LevelTruth]) -> dict[str, Any]:
    """The truth of some levels as plain lists and numbers, lengths in mm, points in RAS."""
    return {
        "schema": SCHEMA,
        "units": "mm, RAS",
        "vertebrae": list(spine.spec.vertebrae),
        "levels": {name: _level_json(truth) for name, truth in truths.items()},
    }


def _level_json(truth: LevelTruth) -> dict[str, Any]:
    joints = {
        side: {
            "area_mm2": float(j.area_mm2.sum()),
            "angle_deg": j.angle_deg,
            "gap_mm": j.gap_mm,
            "centre_ras_mm": j.centre_ras_mm.tolist(),
        }
        for side, j in truth.joints.items()
    }
    windows = {
        side: {
            "centre_ras_mm": w.centre_ras_mm.tolist(),
            "normal_ras": w.normal_ras.tolist(),
            "width_mm": w.width_mm,
            "height_mm": w.height_mm,
            "area_mm2": w.area_mm2,
        }
        for side, w in truth.windows.items()
    }
    frame = np.eye(4)
    frame[:3, :3], frame[:3, 3] = truth.frame.axes_ras.T, truth.frame.origin_ras_mm
    return {
        "level_frame_ras": frame.tolist(),
        "joints": joints,
        "windows": windows,
        "targets_ras_mm": {
            side: {name: p.tolist() for name, p in aims.items()} for side, aims in truth.targets_ras_mm.items()
        },
        "landmarks_ras_mm": {name: p.tolist() for name, p in truth.landmarks_ras_mm.items()},
        "areas_mm2": dict(truth.areas_mm2),
    }
