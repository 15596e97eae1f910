"""Facet joints of a phantom as pairs of facing points on its known cylinder."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.phantoms.anatomy.joint import JointSurface
from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.solid.pose import Pose
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side, label_of, level_vertebrae, sided

PAIR_STEP_MM = 0.3
"""Spacing of the pairs along and across the joint."""

UNDER_SURFACE_MM = 0.15
"""A pair counts where bone of the right process lies this deep under both faces."""

LINE_HALF_MM = 1.0
"""The joint line is taken from pairs within this of the joint's mid-height."""


@dataclass(frozen=True, eq=False)
class JointTruth:
    """One joint: facing points (N, 3) RAS mm, area of each pair (mean of both faces), angle and gap."""

    side: Side
    inferior_face_ras_mm: Float
    superior_face_ras_mm: Float
    area_mm2: Float
    angle_deg: float
    gap_mm: float

    @property
    def centre_ras_mm(self) -> Float:
        """(3,) array: area-weighted mean of the pairs' midpoints."""
        middle = (self.inferior_face_ras_mm + self.superior_face_ras_mm) / 2
        found: Float = self.area_mm2 @ middle / self.area_mm2.sum()
        return found


def joint_truth(spine: Spine, level: str, side: Side, frame: Pose) -> JointTruth:
    """The joint of one side: all pairs on the cylinder with bone of both processes under them; what is fused is none.

    The mean of both faces' area elements is the mid-surface's, since they stand
    half the gap on either side of a cylinder. The angle is the principal direction of
    the mid-surface points near mid-height, in the axial plane of the level frame.
    """
    joint = spine.bone.joints[level, side]
    turn, z = _lattice(joint)
    facing = _has_both_faces(spine, level, joint, turn, z)
    turn, z = turn[facing], z[facing]
    faces = [joint.pose.to_world_mm(joint.points_mm(turn, z, sign * joint.gap_mm / 2)) for sign in (-1.0, 1.0)]
    middle = frame.to_local_mm((faces[0] + faces[1]) / 2)
    near = np.abs(middle[:, 2] - (middle[:, 2].min() + middle[:, 2].max()) / 2) <= LINE_HALF_MM
    area = np.full(len(turn), PAIR_STEP_MM**2)
    return JointTruth(side, faces[0], faces[1], area, line_angle_deg(middle[near, :2]), joint.gap_mm)


def line_angle_deg(points_mm: Float) -> float:
    """Angle from the sagittal plane (0..90) of the main direction of (N, 2) points (left, dorsal).

    >>> line_angle_deg(np.array([[0.0, 0], [1, 1], [2, 2]])).__round__(6)
    45.0
    """
    _, _, rows = np.linalg.svd(points_mm - points_mm.mean(axis=0), full_matrices=False)
    return float(np.degrees(np.arctan2(abs(rows[0, 0]), abs(rows[0, 1]))))


def _lattice(joint: JointSurface) -> tuple[Float, Float]:
    """Angles (rad) and heights (mm) of a lattice over the joint, equal in arc and height."""
    half_arc = np.arange(-joint.half_width_mm - 4.0, joint.half_width_mm + 4.0, PAIR_STEP_MM) + PAIR_STEP_MM / 2
    half_height = np.arange(-joint.half_height_mm - 4.0, joint.half_height_mm + 4.0, PAIR_STEP_MM) + PAIR_STEP_MM / 2
    turn, z = np.meshgrid(half_arc / joint.radius_mm, half_height, indexing="ij")
    return turn.ravel(), z.ravel()


def _has_both_faces(spine: Spine, level: str, joint: JointSurface, turn_rad: Float, z_mm: Float) -> np.ndarray:
    upper, lower = level_vertebrae(level)
    wanted = {
        -1.0: label_of(upper, sided("inferior_articular", joint.side)),
        1.0: label_of(lower, sided("superior_articular", joint.side)),
    }
    both = joint.gap_at_mm(joint.centre_mm[2] + z_mm) > joint.gap_mm / 2
    for sign, label in wanted.items():
        under = joint.points_mm(turn_rad, z_mm, sign * (joint.gap_mm / 2 + UNDER_SURFACE_MM))
        both &= spine.label_and_depth(joint.pose.to_world_mm(under))[0] == label
    return both
