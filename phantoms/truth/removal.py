"""Exact removal, joint preservation and reach of an approach in a phantom, from its own geometry record.

Independent of the estimator: the swept region and lines of sight come from
`phantoms.truth.swept_region`, the anatomy from the implicit functions, volumes from
`phantoms.solid.quadrature`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.solid.point_batch import Box, box_around
from canalwise.phantoms.solid.pose import Pose
from canalwise.phantoms.solid.quadrature import Volumes, label_volumes
from canalwise.phantoms.truth.joint import JointTruth
from canalwise.phantoms.truth.swept_region import (
    Mask,
    SweptPhase,
    TaskLines,
    TrueKeepOut,
    cone_distance_mm,
    keep_out,
    phases_of,
    protected_parts,
    task_lines_of,
)
from canalwise.phantoms.truth.window import is_bone
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Side, label_of, level_vertebrae, sided

TOUCH_TOL_MM = 1e-6
SLAB_MM = 1.0
"""Half-thickness of the slab of pairs that counts for the width kept."""

PATH_STEP_MM = 0.25
LEVEL_REACH_MM = 45.0


@dataclass(frozen=True, eq=False)
class PlannedPhantom:
    """A spine with an approach placed on it.

    `cutting_regions` take the bone: the phases' whole sweep, or a task's lines within it. `phases` reach the targets.
    """

    spine: Spine
    level: str
    phases: tuple[SweptPhase, ...]
    cutting_regions: tuple[SweptPhase | TaskLines, ...]
    sac: TrueKeepOut
    clearance_mm: float
    protected: tuple[int, ...]

    def taken_from_sight(self, points_mm: Float) -> Mask:
        """(N,) array: in the swept region of some phase and in sight of its pivot past the sac?"""
        taken = np.zeros(len(points_mm), dtype=bool)
        for phase in self.cutting_regions:
            remaining = np.flatnonzero(~taken & phase.contains(points_mm))
            if len(remaining):
                taken[remaining] = self.sac.clears(
                    phase.pivot_mm, points_mm[remaining], self.clearance_mm + phase.tool_radius_mm
                )
        return taken

    def removed_labels(self, points_mm: Float) -> npt.NDArray[np.uint16]:
        """(N,) array: the label of removed bone, 0 elsewhere."""
        labels = np.zeros(len(points_mm), dtype=np.uint16)
        swept = np.zeros(len(points_mm), dtype=bool)
        for phase in self.cutting_regions:
            swept |= phase.contains(points_mm)
        if swept.any():
            labels[swept] = self.spine.label_and_depth(points_mm[swept])[0]
        labels[~is_bone(labels) | np.isin(labels % 100, self.protected)] = 0
        bone = np.flatnonzero(labels)
        if len(bone):
            labels[bone[~self.taken_from_sight(points_mm[bone])]] = 0
        return labels


def rehearsal_of(spine: Spine, level: str, geometry: Mapping[str, Any]) -> PlannedPhantom:
    """Read a geometry record (docs/files.md#geometry) and prepare the sac's distances around what it sweeps."""
    phases = phases_of(geometry)
    keep = geometry["keep_out"]
    disc = spine.poses[level]
    near = box_around(disc.to_world_mm([[0.0, 10.0, 0.0]]), LEVEL_REACH_MM)
    low, high = _bone_box(phases, near)
    return PlannedPhantom(
        spine,
        level,
        phases,
        phases,
        keep_out(spine, (low, high), float(keep["retraction_mm"])),
        float(keep["clearance_mm"]),
        protected_parts(geometry["protected"]),
    )


def for_task(rehearsal: PlannedPhantom, geometry: Mapping[str, Any]) -> PlannedPhantom:
    """The same rehearsal with only the removal that the record's task needs."""
    return replace(rehearsal, cutting_regions=task_lines_of(geometry))


def _bone_box(cutting_regions: Sequence[SweptPhase | TaskLines], near: Box) -> Box:
    boxes = [region.box_mm() for region in cutting_regions]
    low = np.maximum(np.min([b[0] for b in boxes], axis=0), near[0])
    high = np.minimum(np.max([b[1] for b in boxes], axis=0), near[1])
    return low, np.maximum(high, low + 1.0)


def removed_volume_truth(spine: Spine, level: str, geometry: Mapping[str, Any]) -> Volumes:
    """Volume of removed bone by label; `.total_mm3()` is the total.

    Only bone within LEVEL_REACH_MM of the level's disc is evaluated.
    """
    rehearsal = rehearsal_of(spine, level, geometry)
    return removed_volumes(rehearsal)


def removed_volumes(rehearsal: PlannedPhantom) -> Volumes:
    """`removed_volume_truth` of a rehearsal already prepared; nothing where it removes nothing."""
    if not rehearsal.cutting_regions:
        return Volumes({}, {})
    near = box_around(rehearsal.spine.poses[rehearsal.level].to_world_mm([[0.0, 10.0, 0.0]]), LEVEL_REACH_MM)
    return label_volumes(rehearsal.removed_labels, _bone_box(rehearsal.cutting_regions, near))


@dataclass(frozen=True)
class TrueFacetPreservation:
    """Shares of one joint that stay: by area, by width in the disc's plane, by volume of its two processes."""

    area_frac: float
    width_frac: float
    volume_frac: float


def facets_kept(
    rehearsal: PlannedPhantom, frame: Pose, joints: Mapping[Side, JointTruth], removed: Volumes, parts: Volumes
) -> dict[Side, TrueFacetPreservation]:
    """Shares of both joints kept; `parts` holds the volumes of the whole articular processes."""
    return {side: _facet_kept(rehearsal, frame, joints[side], removed, parts) for side in SIDES}


def _facet_kept(
    rehearsal: PlannedPhantom, frame: Pose, joint: JointTruth, removed: Volumes, parts: Volumes
) -> TrueFacetPreservation:
    upper, lower = level_vertebrae(rehearsal.level)
    labels = [
        label_of(upper, sided("inferior_articular", joint.side)),
        label_of(lower, sided("superior_articular", joint.side)),
    ]
    kept = np.ones(len(joint.area_mm2), dtype=bool)
    for label, face in zip(labels, (joint.inferior_face_ras_mm, joint.superior_face_ras_mm), strict=True):
        if label % 100 not in rehearsal.protected:
            kept &= ~rehearsal.taken_from_sight(face)
    z = frame.to_local_mm((joint.inferior_face_ras_mm + joint.superior_face_ras_mm) / 2)[:, 2]
    slab = width_slab(z)
    area = joint.area_mm2
    return TrueFacetPreservation(
        float(area[kept].sum() / area.sum()),
        float(area[slab & kept].sum() / area[slab].sum()),
        1.0 - removed.total_mm3(labels) / parts.total_mm3(labels),
    )


def width_slab(z_mm: Float) -> Mask:
    """(N,) array: pairs within SLAB_MM of z = 0, or of the height nearest to it that has pairs.

    >>> width_slab(np.array([4.0, 5.5, 9.0])).tolist()
    [True, True, False]
    """
    nearest = z_mm[np.argmin(np.abs(z_mm))]
    centre = 0.0 if abs(nearest) <= SLAB_MM else nearest + np.sign(nearest) * SLAB_MM
    slab: Mask = np.abs(z_mm - centre) <= SLAB_MM + 1e-9
    return slab


def reached(rehearsal: PlannedPhantom, targets_ras_mm: Float) -> Mask:
    """(N,) array: can the tool touch each target without pressing the sac or crossing protected bone?"""
    touched = np.zeros(len(targets_ras_mm), dtype=bool)
    for phase in rehearsal.phases:
        offset = targets_ras_mm - phase.pivot_mm
        near = (
            cone_distance_mm(offset, phase.axis, phase.half_angle_rad, phase.tip_depth_mm)
            <= phase.tool_radius_mm + TOUCH_TOL_MM
        )
        remaining = np.flatnonzero(near & ~touched)
        if len(remaining):
            points = targets_ras_mm[remaining]
            clear = rehearsal.sac.clears(
                phase.pivot_mm, points, rehearsal.clearance_mm + phase.tool_radius_mm, phase.tool_radius_mm
            )
            touched[remaining] = clear & ~_crosses_protected(rehearsal, phase, points)
    return touched


def _crosses_protected(rehearsal: PlannedPhantom, phase: SweptPhase, points_mm: Float) -> Mask:
    """(N,) array: does the segment, ending a tool's radius short of each point, run through protected bone?"""
    crossing = np.zeros(len(points_mm), dtype=bool)
    for i, point in enumerate(points_mm):
        length = float(np.linalg.norm(point - phase.pivot_mm)) - phase.tool_radius_mm
        at = np.arange(max(length - LEVEL_REACH_MM, 0.0), max(length, 0.0), PATH_STEP_MM)
        if len(at):
            path = phase.pivot_mm + np.outer(at, (point - phase.pivot_mm) / np.linalg.norm(point - phase.pivot_mm))
            labels, _ = rehearsal.spine.label_and_depth(path)
            crossing[i] = bool((is_bone(labels) & np.isin(labels % 100, rehearsal.protected)).any())
    return crossing
