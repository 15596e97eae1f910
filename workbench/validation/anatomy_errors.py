"""How close frames, landmarks, joints, windows and canal areas come to the truth of a phantom.

Labels and bone shares are taken from the phantom itself, so that only the reading of anatomy is judged.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np
from scipy import ndimage

from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.imaging.render import blocks
from canalwise.phantoms.spec import LevelKnobs, SpineSpec
from canalwise.phantoms.truth.level import LevelTruth
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import SIDES, Labels, Side, bone_mask

SPECS = {
    "normal": SpineSpec(),
    "narrow": SpineSpec(
        levels={"L3-L4": LevelKnobs(canal_narrowing_mm=1.5, flavum_overgrowth_mm=(2.0, 1.0), disc_bulge_mm=2.0)}
    ),
    "turned": SpineSpec(
        levels={"L3-L4": LevelKnobs(joint_angle_deg=(30.0, 44.0))},
        rotation_deg=6.0,
        scoliosis_deg=8.0,
        pose_deg=(9.0, -7.0, 5.0),
        origin_ras_mm=(12.0, -40.0, 90.0),
    ),
}
"""The spines measured: normal, narrow, and turned with unequal joints."""


def labelled(spine: Spine, grid: Grid) -> tuple[Labels, Float]:
    """Labels at voxel centres and bone shares, the border voxels' from eight samples each."""
    labels = np.zeros(grid.shape, dtype=np.uint16)
    for box in blocks(grid):
        part = grid.cropped(box)
        labels[box] = spine.label_and_depth(part.voxel_centres_mm().reshape(-1, 3))[0].reshape(part.shape)
    bone = bone_mask(labels)
    share = bone.astype(np.float64)
    border = np.argwhere(ndimage.binary_dilation(bone) & ~ndimage.binary_erosion(bone))
    total = np.zeros(len(border))
    for offset in np.stack(np.meshgrid(*[(-0.25, 0.25)] * 3), axis=-1).reshape(-1, 3):
        total += bone_mask(spine.label_and_depth(grid.world_mm(border + offset))[0])
    share[tuple(border.T)] = total / 8
    return labels, share


def errors(truth: LevelTruth, level: Level) -> dict[str, list[float]]:
    """Quantity -> errors of one level against the phantom's truth, in the unit that the quantity's name tells."""
    cosines = np.clip((level.frame.axes_ras * truth.frame.axes_ras).sum(axis=1), -1, 1)
    out: dict[str, list[float]] = defaultdict(list)
    out["frame axes deg"] = np.degrees(np.arccos(cosines)).tolist()
    out["frame origin mm"] = [_distance(level.frame.origin_ras_mm, truth.frame.origin_ras_mm)]
    for name, point in truth.landmarks_ras_mm.items():
        if name in level.landmarks_ras_mm:
            kind = name.removesuffix("_left").removesuffix("_right")
            out[f"{kind} mm"].append(_distance(level.landmarks_ras_mm[name], point))
    for side in SIDES:
        for found in (_joint_errors, _window_errors, _target_errors):
            for key, value in found(truth, level, side).items():
                out[key].append(value)
    for at, area in truth.areas_mm2.items():
        for measured in level.measurements:
            if measured.at == at and measured.unit == "mm2" and level.upper not in measured.structure:
                out[f"area of {at} %"].append(100 * (measured.value / area - 1))
    return out


def _distance(one: Float, other: Float) -> float:
    return float(np.linalg.norm(one - other))


def _joint_errors(truth: LevelTruth, level: Level, side: Side) -> dict[str, float]:
    if side not in level.joints:
        return {}
    found, true = level.joints[side], truth.joints[side]
    area = 100 * float(found.area_mm2.sum() / true.area_mm2.sum() - 1)
    return {
        "joint area %": area,
        "joint angle deg": found.angle_deg - true.angle_deg,
        "joint gap mm": found.gap_mm - true.gap_mm,
    }


def _window_errors(truth: LevelTruth, level: Level, side: Side) -> dict[str, float]:
    if side not in truth.windows or side not in level.windows:
        return {"window seen by one only": float((side in truth.windows) != (side in level.windows))}
    found, true = level.windows[side], truth.windows[side]
    turned = float(np.degrees(np.arccos(np.clip(found.normal_ras @ true.normal_ras, -1, 1))))
    return {
        "window normal deg": turned,
        "window width mm": found.width_mm - true.width_mm,
        "window height mm": found.height_mm - true.height_mm,
        "window area %": 100 * (found.area_mm2 / true.area_mm2 - 1),
        "window centre mm": _distance(found.centre_ras_mm, true.centre_ras_mm),
    }


def _target_errors(truth: LevelTruth, level: Level, side: Side) -> dict[str, float]:
    """95th percentile of how far a found target point lies from the nearest true one."""
    out = {}
    for name, points in truth.targets_ras_mm[side].items():
        if side in level.targets and name in level.targets[side].points_ras_mm:
            gaps = np.linalg.norm(level.targets[side].points_ras_mm[name][:, None] - points[None], axis=2).min(axis=1)
            out[f"target {name} mm"] = float(np.percentile(gaps, 95))
    return out
