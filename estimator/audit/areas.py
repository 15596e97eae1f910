"""Free area before, planned and achieved at every station, as far as both scans show it.

Bone that stood in the room needed and is gone has made room for certain. Whether ligament was taken as well a CT does
not show: the area after is then between what the bone alone frees and what it would be if all ligament were gone, and
no more is said. Where the sac was outlined on the scan after, its area is read there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from canalwise.estimator.audit.scan_pair import ScanPair
from canalwise.estimator.audit.taken_bone import TakenBone
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.recon.anatomy import Source
from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.sampling import linear_at
from canalwise.recon.labels import Labels, Tissue
from canalwise.recon.registration.blend import blended

SAC_STEP_MM = 0.5
"""Distance between samples of the sac's outline on the scan after."""

SAC_HALF_MM = 22.0
"""Samples reach this far from the level's axis."""

NOT_SHOWN = (
    "a CT does not show whether ligament was taken: the area after lies between what the bone alone frees and the "
    "canal without ligament"
)
WHERE_SEEN = "read from the sac outlined on the scan after"


class FreeAreas(Protocol):
    """Areas of an approach at S stations, as `estimator.outcome.freed.StationAreas` holds them."""

    @property
    def z_mm(self) -> Float:
        """(S,) array: middles of the stations, level frame."""
        ...

    @property
    def before_mm2(self) -> Float:
        """(S,) array: free canal before."""
        ...

    @property
    def after_mm2(self) -> Float:
        """(S,) array: with all that the approach takes."""
        ...

    @property
    def sac_before_mm2(self) -> Float:
        """(S,) array: the sac before."""
        ...


@dataclass(frozen=True, eq=False)
class AuditedAreas:
    """Areas at S stations, mm2, cranial first; None where not known.

    Parameters
    ----------
    z_mm : of the stations, level frame
    at_disc : the station at the disc's mid-plane
    before_mm2 : free canal before
    planned_mm2 : with all that was planned; None without a plan
    planned_bone_mm2 : with the planned bone alone
    achieved_bone_mm2 : with the bone that was taken, no ligament: certain
    achieved_most_mm2 : with that bone and all ligament gone: the most it can be
    sac_before_mm2, sac_after_mm2 : where both or either were seen, never where modelled
    note : what is not known and why
    """

    z_mm: Float
    at_disc: int
    before_mm2: Float
    planned_mm2: Float | None
    planned_bone_mm2: Float | None
    achieved_bone_mm2: Float
    achieved_most_mm2: Float
    sac_before_mm2: Float | None
    sac_after_mm2: Float | None
    note: str


def audited_areas(
    at: ResectionLevel,
    before: FreeAreas,
    taken: TakenBone,
    planned: tuple[FreeAreas, Float] | None,
    sac_after_mm2: Float | None,
) -> AuditedAreas:
    """The areas of a level.

    Parameters
    ----------
    before : areas of any approach to the level, of which those before the operation count
    planned : areas of the plan, and how much of each voxel of the set's bone it takes
    sac_after_mm2 : (S,) array, where it is known
    """
    wanted = at.wanted
    share = taken.region.share.reshape(-1)[wanted.voxels]
    bone = wanted.by_station_mm2(wanted.bone_mm3 * share)
    soft = wanted.by_station_mm2(wanted.mm3 - wanted.bone_mm3)
    source: Source = at.anatomy.sources.get("sac", "modelled")
    return AuditedAreas(
        before.z_mm,
        wanted.room.stations.at_disc,
        before.before_mm2,
        None if planned is None else planned[0].after_mm2,
        None if planned is None else before.before_mm2 + wanted.by_station_mm2(wanted.bone_mm3 * planned[1]),
        before.before_mm2 + bone,
        before.before_mm2 + bone + soft,
        None if source == "modelled" else before.sac_before_mm2,
        sac_after_mm2,
        NOT_SHOWN if sac_after_mm2 is None else WHERE_SEEN,
    )


def sac_after(pair: ScanPair, labels: Labels, grid: Grid, z_mm: Float) -> Float | None:
    """(S,) array: area of a sac outlined on the scan after, across the level's axis; None where there is none."""
    sac = (labels == Tissue.SAC).astype(np.float32)
    if not sac.any():
        return None
    blend = blended(pair.anatomy.labels, pair.anatomy.grid, pair.motions)
    across = np.arange(-SAC_HALF_MM, SAC_HALF_MM + SAC_STEP_MM, SAC_STEP_MM)
    x, y = (each.ravel() for each in np.meshgrid(across, across, indexing="ij"))
    areas = []
    for z in z_mm:
        points = pair.level.frame.to_world_mm(np.column_stack([x, y, np.full(len(x), z)]))
        inside = linear_at(sac, grid.index_of(blend.moved_mm(points))) >= 0.5
        areas.append(float(inside.sum()) * SAC_STEP_MM**2)
    return np.array(areas)
