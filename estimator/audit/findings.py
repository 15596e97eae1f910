"""Findings after an operation: metal, a joint that has fused, a pars or spinous process that hangs on by nothing."""

from __future__ import annotations

from collections.abc import Iterator

import cc3d
import numpy as np

from canalwise.estimator.audit.bone_change import BoneChange
from canalwise.estimator.audit.scan_pair import ScanPair
from canalwise.estimator.audit.taken_bone import HALF, TakenBone
from canalwise.recon.bone.occupancy import bone_model
from canalwise.recon.image.implants import metal_of
from canalwise.recon.image.sampling import linear_at
from canalwise.recon.labels import SIDES, Mask, Part, label_of, sided, vertebra_mask, vertebra_number
from canalwise.recon.scan import Scan

METAL_NEAR_MM = 40.0
"""Metal this near the level's middle is reported."""

FUSED_FRAC = 0.5
"""A joint is reported as fused when bone fills the gap across this share of it, and did not before."""

APART_FRAC = 0.5
"""A part hangs on by nothing when less than this share of what is left of it is connected with the pedicles."""

LEAST_MM3 = 30.0
"""Less of a part than this says nothing about it."""


def findings_of(pair: ScanPair, change: BoneChange, taken: TakenBone) -> tuple[str, ...]:
    """Sentences about what was found; none where nothing was."""
    return (*_metal(pair), *_gained(taken), *_fused(pair), *_broken(pair, change, taken))


def _gained(taken: TakenBone) -> Iterator[str]:
    """Bone near the canal that seems to have come; so much that the scans must be in the other order is refused.

    A little is read too large: 26 mm3 as 81 on a made-up pair (tests/estimator/audit).
    """
    if taken.gained_mm3 > 0:
        yield (
            f"Bone near the canal seems to have come, read as {taken.gained_mm3:.0f} mm3 (small amounts read too "
            "large): regrowth, another reconstruction, or scans in the other order?"
        )


def _metal(pair: ScanPair) -> Iterator[str]:
    """Metal near the level that was not there before."""
    there = _metal_mm3(
        pair, pair.after, pair.registrations[pair.level.upper].motion.moved_mm(pair.level.frame.origin_ras_mm)
    )
    before = _metal_mm3(pair, pair.before, pair.level.frame.origin_ras_mm)
    if there > 0:
        when = "was there before as well" if before > 0 else "was not there before"
        yield (
            f"Metal near the level, about {there:.0f} mm3, {when}: its streaks hide and feign bone, look at the images "
            "themselves."
        )


def _metal_mm3(pair: ScanPair, scan: Scan, middle_mm: np.ndarray) -> float:
    box = scan.grid.box_around(middle_mm[None], METAL_NEAR_MM)
    found = metal_of(scan.cropped(box))
    return 0.0 if found is None else float(found.mask.sum()) * scan.grid.voxel_mm3


def _fused(pair: ScanPair) -> Iterator[str]:
    """Joints whose gap has filled with bone."""
    for side, joint in pair.level.joints.items():
        middle = (joint.inferior_face_ras_mm + joint.superior_face_ras_mm) / 2
        shares = []
        for scan, points in (
            (pair.before, middle),
            (pair.after, pair.registrations[pair.level.upper].motion.moved_mm(middle)),
        ):
            model = bone_model(scan)
            bright = linear_at(scan.voxels, scan.grid.index_of(points)) >= (model.soft_hu + model.cortical_hu) / 2
            shares.append(float(joint.area_mm2[bright].sum() / max(joint.area_mm2.sum(), 1e-9)))
        if shares[1] >= FUSED_FRAC and shares[0] < FUSED_FRAC / 2:
            yield f"The {side} facet joint has filled with bone across {shares[1]:.0%} of its face: fused?"


def _broken(pair: ScanPair, change: BoneChange, taken: TakenBone) -> Iterator[str]:
    """Parts of the upper arch that were connected with the body and are no longer; a gap below a voxel is not seen."""
    upper, labels = pair.level.upper, change.level_bone.labels
    bone = vertebra_mask(labels, vertebra_number(upper))
    bone &= change.level_bone.bone_mm3 >= HALF * change.level_bone.grid.voxel_mm3
    kept = bone & (taken.region.share < HALF) & (change.lost_frac < HALF)
    hung, hangs = (_with_body(each, labels == label_of(upper, Part.BODY)) for each in (bone, kept))
    for part, name in _parts(upper):
        mine = labels == part
        left = kept & mine
        if left.sum() * change.level_bone.grid.voxel_mm3 < LEAST_MM3:
            continue
        shares = [float(whole[left].mean()) for whole in (hung, hangs)]
        if shares[0] >= APART_FRAC > shares[1]:
            yield f"The {name} of {upper} is no longer connected with the body by bone: broken or cut through?"


def _with_body(bone: Mask, body: Mask) -> Mask:
    """(same shape) array: bone in one piece with most of the body."""
    pieces = cc3d.connected_components(bone, connectivity=6)
    own = pieces[bone & body]
    return np.asarray(pieces == int(np.bincount(own).argmax())) & bone if len(own) else np.zeros_like(bone)


def _parts(upper: str) -> Iterator[tuple[int, str]]:
    yield label_of(upper, Part.SPINOUS_PROCESS), "spinous process"
    for side in SIDES:
        yield label_of(upper, sided("inferior_articular", side)), f"{side} inferior articular process (by its pars)"
