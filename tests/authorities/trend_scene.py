"""The mean vertebrae with a stenosis drawn in, and the accesses that published trends are about.

Every definition of ours stands here; what the papers mean by theirs is seldom visible.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from canalwise.estimator.approach.approach import (
    IPSILATERAL,
    OVER_THE_TOP,
    Approach,
    Phase,
    other_side,
    placed_phases,
    tilts_deg,
)
from canalwise.estimator.estimate.estimate import Cost, cost_of, task_paths
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.level.target_names import NAMES
from canalwise.estimator.level.target_points import joined_mm
from canalwise.estimator.planning.default_approach import (
    SWEEP_DEG,
    default_approach,
    depths_mm,
    docked_approach,
    first_direction,
    recess_mm,
    turned_to_hold,
)
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.estimator.removal.canal_area import decompression_of
from canalwise.estimator.removal.region import ConeRegion, TaskRegion
from canalwise.phantoms.imaging.mesh_scans import bones_only, mesh_scan, read_meshes
from canalwise.phantoms.imaging.scanner import PhantomScan
from canalwise.phantoms.imaging.stenosis import narrowed
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.grid import Float, triple
from canalwise.recon.image.sampling import linear_at
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labels import SIDES, Labels, Side
from canalwise.recon.level.axial_contour import border_mm, canal_contour
from canalwise.recon.level.resampled_level import local_view
from canalwise.recon.scan import Scan

LIGAMENT_EXTRA_MM = 1.2
"""Brings the ligament that the build finds at L4-L5, 4.1 mm, to the 5.3 mm of degenerate joints over a narrow disc
(AJNR 2010;31(10):1813); the same everywhere. Chosen for its thickness alone, before any trend was looked at."""

PROCESS_EXTRA_MM = 2.0
"""How far the superior articular processes grow medially and ventrally into the canal (choice)."""

MEDIAL_EDGE_PERCENT = 5.0
"""The joint's medial edge: this share of its pairs of points lies nearer the midline."""

OWN_HALF = ("ipsilateral recess", "ipsilateral canal wall", "roof")
"""The task of each side when both sides are opened: its own half, and the roof that both share."""

RECESS_COLUMNS, COLUMN_COUNT, COLUMN_STEP_MM, OPEN_MM = (0.7, 0.9), 9, 0.25, 15.0
"""Shares of the half-width between which a recess lies, the columns it is read in, their step, and when it is open."""

FLOOR_MM = 1.0
"""The floor's own bone, half filled, is no roof: columns are read from here up."""

KINDS = ("cone", "task")


@dataclass(frozen=True, eq=False)
class Outcome:
    """What one access costs and frees; `gain_mm2` of free canal at the disc."""

    cost: Cost
    gain_mm2: float


def mean_scan(folder: Path, spacing_mm: float) -> tuple[PhantomScan, Anatomy]:
    """The mean vertebrae as a CT, and the anatomy built from it with only the vertebrae given."""
    scan = mesh_scan(read_meshes(folder), spacing_mm)
    return scan, built(scan, bones_only(scan.labels), {"vertebrae"})


def narrowed_anatomy(scan: PhantomScan, anatomy: Anatomy) -> Anatomy:
    """The same with a stenosis at every level: its ligament and bone given, its sac modelled in the room left."""
    tight = narrowed(replace(scan, labels=anatomy.labels), LIGAMENT_EXTRA_MM, PROCESS_EXTRA_MM)
    return built(tight, tight.labels, {"vertebrae", "parts", "canal", "flavum"})


def built(scan: PhantomScan, labels: Labels, named: set[str]) -> Anatomy:
    """The anatomy of a scan with some of its labels given."""
    return anatomy_of(Scan(scan.ct_hu, scan.grid, "CT"), given=GivenLabels(labels, frozenset(named)))


def medial_entry(anatomy: Anatomy, level_name: str, side: Side) -> Approach:
    """As near the midline as the spinous processes let the sleeve: the usual start itself."""
    return default_approach(anatomy, level_name, side)


def standard_entry(anatomy: Anatomy, level_name: str, side: Side) -> Approach:
    """The sleeve's axis over the joint's medial edge, as deep and as high as the medial entry; aimed at the same."""
    level = anatomy.level(level_name)
    _, y, z = medial_entry(anatomy, level_name, side).docking_point_mm
    edge = joint_edge_mm(level, side)
    return docked_approach(anatomy, level_name, side, np.array([edge if side == "left" else -edge, y, z]))


def straight_entry(anatomy: Anatomy, level_name: str, side: Side) -> Approach:
    """The same docking point entered along the window's normal, its own side alone: how each half is opened when both
    sides are (common practice, no source). Only the path across starts from lateral."""
    level, usual = anatomy.level(level_name), medial_entry(anatomy, level_name, side)
    docking, inward = np.array(usual.docking_point_mm), first_direction(level, side)
    distance_mm = usual.pivot_distance_mm
    pivot = docking - distance_mm * inward
    goal = recess_mm(level, side) - pivot
    touch_deg = float(np.degrees(np.arctan2(usual.channel.tool_radius_mm, np.linalg.norm(goal))))
    axis = turned_to_hold(inward, goal, SWEEP_DEG + touch_deg)
    sleeve, tip = depths_mm(level, side, pivot, axis, usual.channel.working_distance_mm, distance_mm)
    shift = triple(pivot - (docking - distance_mm * axis))
    phase = Phase(IPSILATERAL, *tilts_deg(side, axis), SWEEP_DEG, float(sleeve), float(tip), shift)
    return replace(usual, phases=(phase,))


def joint_edge_mm(level: Level, side: Side) -> float:
    """Distance of a joint's medial edge from the midline."""
    joint = level.joints[side]
    middles = (joint.inferior_face_ras_mm + joint.superior_face_ras_mm) / 2
    return float(np.percentile(np.abs(level.frame.to_level_mm(middles)[:, 0]), MEDIAL_EDGE_PERCENT))


Leg = tuple[Approach, Sequence[str], Sequence[str]]
"""An approach, the names of the phases used of it, and what the task asks of them."""


def outcome(prepared: PreparedLevel, legs: Sequence[Leg], kind: str) -> Outcome:
    """What several legs cost and free together, by the whole sweep ('cone') or for the task ('task')."""
    channel = legs[0][0].channel
    keep_out, frame = prepared.keep_out(channel.tool_radius_mm), prepared.level.frame
    used = [
        (tuple(p for p in placed_phases(approach, frame) if p.name in phases), approach.side, task)
        for approach, phases, task in legs
    ]
    region: ConeRegion | TaskRegion = ConeRegion(tuple(p for phases, _, _ in used for p in phases), keep_out)
    if kind == "task":
        paths = [
            path
            for phases, side, task in used
            for path in task_paths(
                prepared.anatomy, phases, keep_out, joined_mm(prepared.task_targets.seen_from(side, task))
            )
        ]
        region = TaskRegion(tuple(paths), channel, keep_out)
    cost = cost_of(prepared, region)
    freed = decompression_of(prepared.pressing, region, cost.removal)
    return Outcome(cost, freed.canal_area_after_mm2 - freed.canal_area_before_mm2)


def one_side(prepared: PreparedLevel, approach: Approach, kind: str) -> Outcome:
    """Both phases of one approach, with all targets as its task."""
    return outcome(prepared, [(approach, (IPSILATERAL, OVER_THE_TOP), NAMES)], kind)


def both_sides(prepared: PreparedLevel, kind: str) -> Outcome:
    """Either side's straight entry, each with its own half as its task."""
    entries = [straight_entry(prepared.anatomy, prepared.level.name, side) for side in SIDES]
    return outcome(prepared, [(entry, (IPSILATERAL,), OWN_HALF) for entry in entries], kind)


def recess_from(prepared: PreparedLevel, recess: Side, entry: Side, kind: str) -> Outcome:
    """One side's recess alone, by the phase of the medial entry that is meant for it."""
    phase, name = (IPSILATERAL, "ipsilateral recess") if entry == recess else (OVER_THE_TOP, "contralateral recess")
    approach = medial_entry(prepared.anatomy, prepared.level.name, entry)
    return outcome(prepared, [(approach, (phase,), (name,))], kind)


def across(recess: Side) -> Side:
    """The side from which a recess is reached over the top."""
    return other_side(recess)


def recess_height_mm(prepared: PreparedLevel, removal: Removal | None, side: Side) -> float:
    """Clear height of a lateral recess, as it is or with a removal's bone gone.

    In the plane of the pedicle's superior border, from the canal's ventral border straight dorsal to the first bone:
    the least of the columns between RECESS_COLUMNS of the canal's half-width, none counted beyond OPEN_MM. The measure
    that a build prints needs a whole canal, and has no answer once its wall is cut away.
    """
    anatomy, level = prepared.anatomy, prepared.level
    view = local_view(anatomy.labels, anatomy.occupancy, anatomy.grid, level.frame, (level.upper, level.lower))
    height = float(level.frame.to_level_mm(level.landmarks_ras_mm[f"lower_pedicle_upper_edge_{side}"])[2])
    outline = canal_contour(view, height)
    if outline is None:
        return float("nan")
    half = outline[:, 0].max() if side == "left" else outline[:, 0].min()
    columns = np.linspace(*RECESS_COLUMNS, COLUMN_COUNT) * half
    floors = [border_mm(outline, float(x), "ventral") for x in columns]
    up = np.arange(FLOOR_MM, OPEN_MM, COLUMN_STEP_MM)
    level_mm = np.array(
        [[(x, y + rise, height) for rise in up] for x, y in zip(columns, floors, strict=True) if y is not None]
    )
    bone = _bone_left(prepared, removal, level_mm) >= 0.5
    clear = np.where(bone.any(axis=1), up[bone.argmax(axis=1)], OPEN_MM)
    return float(clear.min())


def _bone_left(prepared: PreparedLevel, removal: Removal | None, level_mm: Float) -> Float:
    """(...,) array: bone share at (..., 3) level points; what is not of a labelled bone of the level counts as none."""
    level_bone = prepared.level_bone
    share = np.asarray(level_bone.bone_mm3 / level_bone.grid.voxel_mm3, dtype=np.float32)
    if removal is not None:
        share = share * (1 - removal.taken_frac)
    return linear_at(share, level_bone.grid.index_of(prepared.level.frame.to_world_mm(level_mm)))
