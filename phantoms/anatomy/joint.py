"""The facet joint: a curved gap of known shape between two articular processes.

In the disc's frame the joint's mid-surface is a piece of a cylinder along z: concave
toward the midline and dorsally, as seen from the superior process of the vertebra
below, which carries the hollow face; the inferior process of the vertebra above lies
inside. Both faces stand half the gap from the mid-surface, so the gap is the same
everywhere but where the joint is fused. Shape and radius are modelling choices.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.phantoms.solid.canal_section import Tube
from canalwise.phantoms.solid.dimensions import LevelSize, VertebraSize
from canalwise.phantoms.solid.pose import Pose
from canalwise.phantoms.solid.signed_distance import Capsule, RoundedBox, smooth_step
from canalwise.phantoms.spec import side_index
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side

HEAD_ROUNDING_MM = 5.0
"""Edge rounding of the articular processes' heads (choice)."""

RADIUS_FRAC = 1.15
"""Radius of the joint's cylinder over the joint's width: an arc of about 50 deg (choice)."""

ABOVE_DISC_MM = 1.0
"""Height of the joint's centre above the disc's mid-plane (choice; mean meshes of 87 patients show 0-2 mm)."""


FUSING_MM = 2.0
"""Height over which an open joint turns into a fused one (choice)."""


@dataclass(frozen=True, eq=False)
class JointSurface:
    """The mid-surface of one joint, in its disc's frame.

    `normal` points from the inferior process (upper vertebra) to the superior process
    (lower vertebra): laterally and ventrally; `along` runs along the joint line, dorsolaterally.
    """

    side: Side
    centre_mm: Float
    along: Float
    normal: Float
    radius_mm: float
    half_width_mm: float
    half_height_mm: float
    gap_mm: float
    pose: Pose
    fused_frac: float = 0.0

    @property
    def axis_mm(self) -> Float:
        """A point on the cylinder's axis, at the joint's height."""
        return self.centre_mm - self.radius_mm * self.normal

    def height_mm(self, disc_mm: Float) -> Float:
        """(N,) array: signed distance from the mid-surface, positive on the superior process's side."""
        offset = disc_mm[:, :2] - self.axis_mm[:2]
        found: Float = np.sqrt(np.einsum("ij,ij->i", offset, offset)) - self.radius_mm
        return found

    def gap_at_mm(self, z_mm: Float) -> Float:
        """(N,) array: width of the gap at heights of the disc's frame; it closes to 0 where the joint is fused.

        Each process then ends at the mid-surface, so that both touch and stay apart in the label map.
        """
        open_below = self.centre_mm[2] + self.half_height_mm * (1.0 - 2.0 * self.fused_frac)
        fused = smooth_step(z_mm, open_below - FUSING_MM / 2, open_below + FUSING_MM / 2)
        return self.gap_mm * (1.0 - fused * (self.fused_frac > 0))

    def points_mm(self, turn_rad: Float, z_mm: Float, height_mm: float) -> Float:
        """(N, 3) array in the disc's frame: points at an angle on the cylinder, a z above its centre and a height."""
        outward = np.outer(np.cos(turn_rad), self.normal) + np.outer(np.sin(turn_rad), self.along)
        points = self.axis_mm + (self.radius_mm + height_mm) * outward
        points[:, 2] += z_mm
        found: Float = points
        return found


def joint_surface(size: LevelSize, side: Side, pose: Pose) -> JointSurface:
    """The joint of one side of a level whose disc lies at `pose`."""
    sign = 1.0 if side == "left" else -1.0
    angle = np.radians(size.joint_angle_deg[side_index(side)])
    return JointSurface(
        side=side,
        centre_mm=np.array([sign * size.joint_x_mm, size.joint_y_mm, ABOVE_DISC_MM]),
        along=np.array([sign * np.sin(angle), np.cos(angle), 0.0]),
        normal=np.array([sign * np.cos(angle), -np.sin(angle), 0.0]),
        radius_mm=RADIUS_FRAC * size.joint_width_mm,
        half_width_mm=size.joint_width_mm / 2,
        half_height_mm=size.joint_height_mm / 2,
        gap_mm=size.knobs.gap_mm,
        pose=pose,
        fused_frac=size.knobs.fused_frac[side_index(side)],
    )


def process_box(joint: JointSurface, toward_mm: float, half_depth_mm: float, grown_mm: float) -> RoundedBox:
    """The head of an articular process, in the disc's frame: a rounded box standing on the joint."""
    axes = np.stack([joint.along, joint.normal, [0.0, 0.0, 1.0]])
    half = np.array(
        [
            joint.half_width_mm + 0.7 + grown_mm / 2,
            half_depth_mm + grown_mm / 2,
            joint.half_height_mm + 0.8 + grown_mm / 2,
        ]
    )
    return RoundedBox(joint.centre_mm + toward_mm * joint.normal, axes, half, HEAD_ROUNDING_MM)


def superior_process(
    joint: JointSurface, size: LevelSize, lower: VertebraSize, lower_pose: Pose
) -> tuple[RoundedBox, Capsule]:
    """The superior articular process of the lower vertebra in the world: head and stem down to the pedicle."""
    grown = size.knobs.facet_overgrowth_mm[side_index(joint.side)]
    head = process_box(joint, 2.2, 5.4, grown)
    sign = 1.0 if joint.side == "left" else -1.0
    foot = np.array([sign * (lower.pedicle_x_mm - 0.5), 9.0, lower.pedicle_z_mm])
    top = joint.centre_mm + 3.8 * joint.normal - [0.0, 0.0, joint.half_height_mm - 4.0]
    stem = Capsule(joint.pose.to_world_mm(top), lower_pose.to_world_mm(foot), 5.5, 6.5)
    return head.placed(joint.pose), stem


def process_top_mm(joint: JointSurface) -> Float:
    """(3,) array in the disc's frame: top of the inferior process's head, where isthmus and lamina meet it."""
    return joint.centre_mm - 3.8 * joint.normal + [0.0, 0.0, joint.half_height_mm - 3.5]


def inferior_process(joint: JointSurface, size: LevelSize, tube: Tube, upper_pose: Pose) -> tuple[RoundedBox, Capsule]:
    """The inferior articular process of the upper vertebra in the world: head and stem up to the lamina."""
    grown = size.knobs.facet_overgrowth_mm[side_index(joint.side)]
    head = process_box(joint, -3.3, 5.0, grown)
    sign = 1.0 if joint.side == "left" else -1.0
    z = tube.edge_z_mm - 7.0
    root = np.array([sign * (tube.half_width_mm - 1.0), float(tube.roof_y_mm(np.array(z))) - 4.5, z])
    stem = Capsule(joint.pose.to_world_mm(process_top_mm(joint)), upper_pose.to_world_mm(root), 5.5, 5.0)
    return head.placed(joint.pose), stem
