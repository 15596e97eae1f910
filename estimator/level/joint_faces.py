"""A facet joint's faces as places in space, and the disc-level slice through them."""

from __future__ import annotations

import numpy as np

from canalwise.estimator.geometry.bricks import Bricks, bricks_of_points
from canalwise.recon.anatomy import Anatomy, Frame, Joint, Level
from canalwise.recon.labels import SIDES, Mask, Side

DISC_SLICE_HALF_MM = 1.0
"""Joint points within this of the disc's mid-plane make the disc-level axial slice."""


def unresolved_joints(anatomy: Anatomy, level: Level) -> dict[Side, str]:
    """Side -> why nothing is reported of its joint: none was found, its faces touch, or the image shows no gap at all.

    With parts given by a person or a map the labels' own gap is believed; a gap that parts found automatically show
    and the image does not was drawn by a rule.
    """
    reasons = {} if level.confidence is None else {r.about: r for r in level.confidence.reasons}
    automatic = anatomy.sources.get("parts", "automatic") == "automatic"
    found: dict[Side, str] = {}
    for side in SIDES:
        joint, seen = level.joints.get(side), reasons.get(f"joint gap {side}")
        if joint is None:
            found[side] = f"no facet joint was found on the {side}"
        elif not joint.gap_resolved:
            found[side] = f"the {side} joint's faces touch in the labels, and the image does not tell them apart"
        elif automatic and seen is not None and seen.value_frac <= 0.0:
            found[side] = f"the image shows no gap between the {side} joint's faces: {seen.because}"
    return found


def faces_of(joint: Joint) -> Bricks:
    """The points of a joint's inferior face, then those of its superior one, in bricks."""
    return bricks_of_points(np.concatenate([joint.inferior_face_ras_mm, joint.superior_face_ras_mm]))


def disc_slice(joint: Joint, frame: Frame) -> Mask:
    """(N,) array: which pairs lie in the disc-level axial slice, or in the nearest slice that has any."""
    height = frame.to_level_mm((joint.inferior_face_ras_mm + joint.superior_face_ras_mm) / 2)[:, 2]
    centre = float(np.clip(0.0, height.min() + DISC_SLICE_HALF_MM, height.max() - DISC_SLICE_HALF_MM))
    in_slice: Mask = np.abs(height - centre) <= DISC_SLICE_HALF_MM
    return in_slice
