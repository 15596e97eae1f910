"""Uncertainty of a facet joint's preserved shares from its faces' borders and its extent."""

from __future__ import annotations

import numpy as np
from scipy import spatial

from canalwise.estimator.geometry.region_protocol import Region
from canalwise.estimator.interval import SD_OF_95, sd_of_shift
from canalwise.estimator.level.border_uncertainty import FacetUncertainty
from canalwise.estimator.level.joint_faces import disc_slice
from canalwise.estimator.level.level_bone import LevelBone
from canalwise.estimator.removal.facet_preservation import pairs_kept, share_kept
from canalwise.recon.anatomy import Joint, Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask, Side, label_of, sided

LOOK_MM = 1.5
"""How far beyond a pair of points the joint is looked for: three cells of `recon.level.facet_joints`."""

RIM_MM = 1.0
"""Depth of the rim that is so found, whose loss shows what a joint's extent does: the two outer rows of points 0.5 mm
apart, for from the third row on there is a point within CELL_MM of where is looked."""

CELL_MM = 0.8
"""Joint points further apart than this are no neighbours: their own spacing is 0.5 mm."""


def joint_sds(
    level: Level, side: Side, region: Region, border_uncertainty: FacetUncertainty
) -> dict[str, dict[str, float]]:
    """'area_frac', 'width_frac' -> cause -> standard deviation of that share of the joint that stays.

    `border_uncertainty` is of the joint's faces and rims.
    """
    joint = level.joints[side]
    kept = pairs_kept(joint, region)
    moved = [pairs_kept(_moved(joint, sign * SD_OF_95 * border_uncertainty.border_mm), region) for sign in (-1.0, 1.0)]
    at_disc, everywhere = disc_slice(joint, level.frame), np.ones(len(kept), dtype=bool)
    # what is taken lies at the joint's medial rim: where that rim is, decides most
    rims = _rims(joint, region)
    reported = {}
    for name, where in (("area_frac", everywhere), ("width_frac", at_disc)):
        weight = np.where(where, joint.area_mm2, 0.0)
        border = sd_of_shift(share_kept(weight, kept), *(share_kept(weight, flags) for flags in moved))
        reported[name] = {
            "bone border": border,
            "joint extent": _extent_sd(rims, weight, kept) * border_uncertainty.extent_mm,
        }
    return reported


def _moved(joint: Joint, into_bone_mm: float) -> Joint:
    """The joint with both faces moved away from each other, into their own bone."""
    across = joint.superior_face_ras_mm - joint.inferior_face_ras_mm
    direction = into_bone_mm * across / np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-9)
    return Joint(
        joint.side,
        joint.inferior_face_ras_mm - direction,
        joint.superior_face_ras_mm + direction,
        joint.area_mm2,
        joint.angle_deg,
        joint.gap_mm,
    )


def _extent_sd(rims: list[tuple[Mask, Mask]], weight: Float, kept: Mask) -> float:
    """Change of the kept share per mm by which the joint ends sooner or later at a rim; rims independent of each other.

    A joint that ends sooner loses the rim; one that goes on gains as much again, as far as the region leaves that.
    """
    share, changes = share_kept(weight, kept), []
    for rim, beyond in rims:
        sooner = share_kept(np.where(rim, 0.0, weight), kept)
        later = share_kept(np.concatenate([weight, weight[rim]]), np.concatenate([kept, beyond]))
        changes.append(np.nanmax(np.abs([sooner - share, later - share, 0.0])))
    return float(np.sqrt(np.sum(np.square(changes)))) / RIM_MM


def _rims(joint: Joint, region: Region) -> list[tuple[Mask, Mask]]:
    """Each rim: the pairs within RIM_MM of it, and whether as many beyond it would be kept.

    The four rims are found by looking in both directions along the joint's width and its height.
    """
    middle = (joint.inferior_face_ras_mm + joint.superior_face_ras_mm) / 2
    if len(middle) < 3:
        return []
    # a joint's face is much wider and higher than it is curved, so its first two axes lie in it
    _, _, axes = np.linalg.svd(middle - middle.mean(axis=0), full_matrices=False)
    tree = spatial.cKDTree(middle)
    outward = [sign * axis for axis in axes[:2] for sign in (-1.0, 1.0)]
    rims = [np.asarray(tree.query(middle + LOOK_MM * direction)[0] > CELL_MM) for direction in outward]
    return [
        (rim, pairs_kept(_beyond(joint, rim, direction), region)) for rim, direction in zip(rims, outward, strict=True)
    ]


def _beyond(joint: Joint, rim: Mask, outward: Float) -> Joint:
    """The pairs of a rim carried on past it along a unit vector, by as much as the rim is deep."""
    return Joint(
        joint.side,
        joint.inferior_face_ras_mm[rim] + RIM_MM * outward,
        joint.superior_face_ras_mm[rim] + RIM_MM * outward,
        joint.area_mm2[rim],
        joint.angle_deg,
        joint.gap_mm,
    )


def split_frac(level: Level, side: Side, level_bone: LevelBone) -> float:
    """Share of both processes' bone that passes from one to the other per mm of shift of the cut off their laminae.

    The cut is taken to be as large as the joint's face: both span the process.
    """
    labels = (
        label_of(level.upper, sided("inferior_articular", side)),
        label_of(level.lower, sided("superior_articular", side)),
    )
    whole = sum(level_bone.whole_by_label_mm3.get(label, 0.0) for label in labels)
    return float(level.joints[side].area_mm2.sum()) / whole if whole > 0 else 0.0
