"""A facet joint's faces as places in space, and the disc-level slice through them."""

from __future__ import annotations

import numpy as np

from canalwise.estimator.geometry.bricks import Bricks, bricks_of_points
from canalwise.recon.anatomy import Frame, Joint
from canalwise.recon.labels import Mask

DISC_SLICE_HALF_MM = 1.0
"""Joint points within this of the disc's mid-plane make the disc-level axial slice."""


def faces_of(joint: Joint) -> Bricks:
    """The points of a joint's inferior face, then those of its superior one, in bricks."""
    return bricks_of_points(np.concatenate([joint.inferior_face_ras_mm, joint.superior_face_ras_mm]))


def disc_slice(joint: Joint, frame: Frame) -> Mask:
    """(N,) array: which pairs lie in the disc-level axial slice, or in the nearest slice that has any."""
    height = frame.to_level_mm((joint.inferior_face_ras_mm + joint.superior_face_ras_mm) / 2)[:, 2]
    centre = float(np.clip(0.0, height.min() + DISC_SLICE_HALF_MM, height.max() - DISC_SLICE_HALF_MM))
    in_slice: Mask = np.abs(height - centre) <= DISC_SLICE_HALF_MM
    return in_slice
