"""Cost of a resection: bone by structure, what stays of joints, pars and spinous base, and bone contact."""

from __future__ import annotations

from canalwise.estimator.geometry.region_protocol import Region
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.outcome.base_bridge import base_bridge
from canalwise.estimator.outcome.outcome_values import ResectionCost
from canalwise.estimator.removal.bone_removal import Removal, farthest_taken_mm
from canalwise.estimator.removal.facet_preservation import facet_kept
from canalwise.estimator.removal.pars_and_spinous_base import pars_of
from canalwise.estimator.removal.structure_names import by_structure
from canalwise.estimator.resection.resection_level import Resection
from canalwise.estimator.resection.tunnels import SleeveRegion
from canalwise.recon.labels import SIDES, Side


def cost_of_resection(prepared: PreparedLevel, resection: Resection, with_contact: bool = True) -> ResectionCost:
    """Cost of a resection of a prepared level; contact, which takes longest, may be left out as NaN."""
    contact = contact_mm3(resection) if with_contact else float("nan")
    return cost_of_removal(prepared, resection.approach.side, (resection.region, resection.removal), contact)


def cost_of_removal(
    prepared: PreparedLevel, side: Side, taken_away: tuple[Region, Removal], contact: float
) -> ResectionCost:
    """Cost of any removal: region and bone taken, with one side's names; `contact` is that of `contact_mm3`."""
    (region, removal), weak, level = taken_away, prepared.pars_and_base_samples, prepared.level
    taken = by_structure(level, side, removal.by_label_mm3)
    whole = by_structure(level, side, removal.level_bone.whole_by_label_mm3)
    return ResectionCost(
        taken,
        {name: taken[name] / whole[name] if whole[name] > 0 else float("nan") for name in taken},
        {s: facet_kept(level, s, region, removal, prepared.faces[s]) for s in prepared.resolved_joints},
        {s: pars_of(weak.pars[s], removal) for s in SIDES},
        base_bridge(weak.base, removal),
        contact,
        farthest_taken_mm(removal, level),
    )


def contact_mm3(resection: Resection) -> float:
    """Bone of both spinous processes within the sleeve's tubes dorsal of the docking depth."""
    level_bone, bone = resection.at.level_bone, resection.at.processes
    if not len(bone.voxels) or not len(resection.chosen):
        return 0.0
    covered = SleeveRegion(resection.region).covered(bone.bricks)
    return float(level_bone.bone_mm3.reshape(-1)[bone.voxels[covered.places]] @ covered.share)
