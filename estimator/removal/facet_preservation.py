"""Preserved share of each facet joint by the three measures of the literature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.estimator.geometry.bricks import Bricks
from canalwise.estimator.geometry.region_protocol import Region
from canalwise.estimator.level.joint_faces import disc_slice
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.recon.anatomy import Joint, Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask, Side, label_of, sided


@dataclass(frozen=True)
class FacetPreservation:
    """Preserved shares of one joint, each 0..1.

    `area_frac`: joint surface that still has bone on both sides. `width_frac`: the same along
    the joint line in the disc-level axial slice. `volume_frac`: bone of the two processes.
    """

    area_frac: float
    width_frac: float
    volume_frac: float


def facet_kept(
    level: Level, side: Side, region: Region, removal: Removal, faces: Bricks | None = None
) -> FacetPreservation:
    """Preserved shares of the level's joint on one side of the patient.

    `faces` are `faces_of` the joint, where they are known already.
    """
    joint = level.joints[side]
    kept = pairs_kept(joint, region, faces)
    at_disc = disc_slice(joint, level.frame)
    return FacetPreservation(
        area_frac=share_kept(joint.area_mm2, kept),
        width_frac=share_kept(joint.area_mm2[at_disc], kept[at_disc]),
        volume_frac=volume_kept_frac(level, side, removal),
    )


def area_kept_frac(joint: Joint, region: Region, faces: Bricks | None = None) -> float:
    """Share of a joint's surface that a region leaves with bone on both sides; NaN where it has none."""
    return share_kept(joint.area_mm2, pairs_kept(joint, region, faces))


def pairs_kept(joint: Joint, region: Region, faces: Bricks | None = None) -> Mask:
    """(N,) array: a pair stays only when the bone behind both of its points stays."""
    if faces is None:
        lost = region.holds(np.concatenate([joint.inferior_face_ras_mm, joint.superior_face_ras_mm]))
    else:
        lost = np.zeros(len(faces.order), dtype=bool)
        lost[faces.order[region.covered(faces).places]] = True
    return np.asarray(~lost.reshape(2, -1).any(axis=0))


def share_kept(weight: Float, kept: Mask) -> float:
    """Share of (N,) weights that is kept, (N,) flags; NaN where there is no weight.

    >>> share_kept(np.array([3.0, 1.0]), np.array([True, False]))
    0.75
    """
    return float(weight[kept].sum() / weight.sum()) if weight.sum() > 0 else float("nan")


def volume_kept_frac(level: Level, side: Side, removal: Removal) -> float:
    """Share of the bone of a joint's two processes that a removal leaves; NaN where there is none."""
    labels = (
        label_of(level.upper, sided("inferior_articular", side)),
        label_of(level.lower, sided("superior_articular", side)),
    )
    whole, taken = removal.level_bone.whole_by_label_mm3, removal.by_label_mm3
    total = sum(whole.get(n, 0.0) for n in labels)
    return 1.0 - sum(taken.get(n, 0.0) for n in labels) / total if total > 0 else float("nan")
