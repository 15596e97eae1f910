"""Outcome of accesses that are more than one approach: one entry for each side, or a laminectomy from behind.

Both sides: each entry frees its own half of the set, and what both take is united. A midline laminectomy takes the
canal's roof; under the open eye a punch then takes what lies within its bite of the opening.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from canalwise.estimator.geometry.bricks import Bricks
from canalwise.estimator.geometry.region_protocol import Covered, Region
from canalwise.estimator.level.level_bone import LevelBone
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.outcome.cost import contact_mm3, cost_of_removal
from canalwise.estimator.outcome.freed import freed_with
from canalwise.estimator.outcome.plan_values import PlanNumbers, numbers_from
from canalwise.estimator.outcome.verdict import LEFT_AND_RIGHT, limit_checks_of, verdict_with
from canalwise.estimator.removal.bone_removal import Removal, removal_of
from canalwise.estimator.removal.midline_laminectomy import laminectomy
from canalwise.estimator.resection.resection_level import Resection, ResectionLevel
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Mask, Side

SIDES_NAMED_FROM: Side = "left"
"""Structures of what enters from no one side are named relative to this side: 'ipsilateral' is the patient's left."""


@dataclass(frozen=True, eq=False)
class JoinedRegion:
    """Union of regions."""

    parts: tuple[Region, ...]

    def holds(self, points_mm: Float) -> Mask:
        """(N,) array: is each (N, 3) RAS point inside one of them?"""
        return np.asarray(np.any([part.holds(points_mm) for part in self.parts], axis=0))

    def covered(self, bricks: Bricks) -> Covered:
        """Share of each place inside, the greatest over the regions."""
        most = np.zeros(len(bricks.order), dtype=np.float32)
        for part in self.parts:
            found = part.covered(bricks)
            most[found.places] = np.maximum(most[found.places], found.share)
        places = np.flatnonzero(most)
        return Covered(places, most[places])


def joined_removal(level_bone: LevelBone, parts: Sequence[Removal]) -> Removal:
    """Union of removals, in each voxel the greatest share of any."""
    share = np.zeros(level_bone.labels.size, dtype=np.float32)
    for part in parts:
        share[part.voxels] = np.maximum(share[part.voxels], part.share)
    voxels = np.flatnonzero(share)
    return Removal(level_bone, voxels, share[voxels])


def both_sides(prepared: PreparedLevel, at: ResectionLevel, halves: Sequence[Resection]) -> PlanNumbers:
    """The numbers of a left and a right resection, each of its own half of the set, together."""
    taken = np.zeros(len(at.wanted.voxels))
    for side, half in zip(SIDES, halves, strict=True):
        taken[at.wanted.on_side(side)] = half.taken_frac
    region = JoinedRegion(tuple(half.region for half in halves))
    removal = joined_removal(at.level_bone, [half.removal for half in halves])
    contact = sum(contact_mm3(half) for half in halves)
    weighted = sum(half.weighted_mm3 for half in halves)
    return _numbers(prepared, at, (region, removal), (taken, contact, weighted))


def midline(prepared: PreparedLevel, at: ResectionLevel) -> PlanNumbers:
    """The numbers of a midline laminectomy, as a reference.

    Raises
    ------
    AnatomyNotFound : no lamina edges in view to lay it out
    """
    region, wanted = laminectomy(prepared.anatomy, prepared.level), at.wanted
    edge = at.level_bone.grid.voxel_mm3 ** (1 / 3)
    outside_mm = region.depth_mm(prepared.level.frame.to_world_mm(wanted.level_mm))
    taken = np.clip(0.5 + (at.rules.value("bite_mm") - outside_mm) / edge, 0.0, 1.0)
    bony = wanted.bone_mm3 > 0
    bitten = Removal(at.level_bone, wanted.voxels[bony], (taken * wanted.share)[bony].astype(np.float32))
    removal = joined_removal(at.level_bone, [removal_of(at.level_bone, region), bitten])
    return _numbers(prepared, at, (region, removal), (taken, 0.0, float("nan")))


def _numbers(
    prepared: PreparedLevel,
    at: ResectionLevel,
    taken_away: tuple[Region, Removal],
    more: tuple[Float, float, float],
) -> PlanNumbers:
    taken, contact, weighted = more
    cost = cost_of_removal(prepared, SIDES_NAMED_FROM, taken_away, contact)
    freed = freed_with(at, taken)
    checks = limit_checks_of(LEFT_AND_RIGHT, cost, prepared.limits)
    return numbers_from(verdict_with(LEFT_AND_RIGHT, freed, checks, at.rules), checks, weighted, cost, freed)
