"""Soft tissue: dural sac, ligament, roots, skin and the layers beneath it.

Shapes are modelling choices; ligament thickness is that of `phantoms.solid.published_sizes`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.phantoms.solid.dimensions import LevelSize
from canalwise.phantoms.solid.pose import Pose
from canalwise.phantoms.solid.signed_distance import Capsule, smooth_max, smooth_step
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side

SKIN_BEHIND_SPINOUS_MM = 16.0
HALF_TRUNK_MM = 160.0
VENTRAL_TRUNK_MM = 130.0
SUBCUTANEOUS_MM = 9.0
SKIN_MM = 2.0
SAC_TO_BONE_MM = 1.0
SAC_TO_LIGAMENT_MM = 0.5
ROOT_RADIUS_MM = 1.7


def flavum_mm(size: LevelSize, disc_mm: Float) -> Float:
    """(N,) array: thickness of the ligament measured inward from the canal's wall, 0 where there is none.

    It lines the dorsal and dorsolateral wall from under the upper lamina to the lower
    lamina's edge, thins out at both ends and toward the foramen.
    """
    x, y, z = disc_mm.T
    left, right = size.flavum_mm
    across = smooth_step(x, -1.0, 1.0)
    thick = across * left + (1 - across) * right
    return thick * smooth_step(-z, -9.0, -6.0) * smooth_step(z, -17.0, -13.0) * smooth_step(y, 5.0, 9.0)


def calcified_mm(size: LevelSize, disc_mm: Float) -> Float:
    """(N,) array: thickness of the calcified sheet on the canal's wall, within the ligament."""
    x, y, z = disc_mm.T
    left, right = size.knobs.calcified_mm
    thick = np.where(x > 0, left, right) * smooth_step(np.abs(x), 2.0, 4.0)
    return thick * smooth_step(-z, -6.0, -4.0) * smooth_step(z, -11.0, -8.0) * smooth_step(y, 8.0, 11.0)


def sac_mm(free_mm: Float, wall_mm: Float, ligament_mm: Float) -> Float:
    """(N,) array: signed distance bound to the sac: its free ellipse, pressed in by wall and ligament.

    >>> sac_mm(np.array([-5.0]), np.array([-8.0]), np.array([0.0])).round(2).tolist()
    [-5.0]
    """
    pressed = wall_mm + np.maximum(ligament_mm + SAC_TO_LIGAMENT_MM, SAC_TO_BONE_MM)
    return smooth_max(free_mm, pressed, 2.0)


def root(size: LevelSize, half_width_mm: float, side: Side) -> Capsule:
    """The traversing root of one side, from the sac into the lateral recess below, in the disc's frame."""
    sign = 1.0 if side == "left" else -1.0
    bulge = size.knobs.disc_bulge_mm
    return Capsule(
        np.array([sign * 0.66 * half_width_mm, 4.5 + bulge, 3.0]),
        np.array([sign * 0.82 * half_width_mm, 4.5, -17.0]),
        ROOT_RADIUS_MM,
        ROOT_RADIUS_MM,
    )


@dataclass(frozen=True, eq=False)
class Skin:
    """The trunk's surface: a dorsal profile along the spine in the patient's upright frame.

    `profile` has the coefficients (highest power first) of the profile's y over z.
    """

    pose: Pose
    profile: Float

    def distance_mm(self, points_mm: Float) -> Float:
        """(N,) array: signed distance bound to the skin, negative inside the patient.

        The midline furrow is 3 mm deep between the paraspinal muscles.
        """
        x, y, z = self.pose.to_local_mm(points_mm).T
        dorsal = np.polyval(self.profile, z) + 3.0 * (1.0 - np.exp(-((x / 22.0) ** 2))) - 0.0016 * x * x
        found: Float = np.maximum(np.maximum(y - dorsal, np.abs(x) - HALF_TRUNK_MM), -VENTRAL_TRUNK_MM - y)
        return found
