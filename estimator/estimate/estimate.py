"""One approach to numbers: the whole estimate (`estimator.estimate.estimate_json` writes it down)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from canalwise.estimator.approach.approach import Approach, PlacedPhase, other_side, placed_phases
from canalwise.estimator.geometry.region_protocol import Region
from canalwise.estimator.level.keep_out import KeepOut
from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.level.target_names import NAMES
from canalwise.estimator.level.target_points import joined_mm
from canalwise.estimator.limits import Limits
from canalwise.estimator.planning.skin_entry import SkinEntry, skin_entry_of
from canalwise.estimator.removal.bone_removal import Removal, removal_of
from canalwise.estimator.removal.canal_area import CanalAreaChange, decompression_with, freed_mm2, ligament_taken_mm3
from canalwise.estimator.removal.facet_preservation import FacetPreservation, area_kept_frac, facet_kept
from canalwise.estimator.removal.pars_and_spinous_base import Pars, SpinousBase, pars_of, spinous_base
from canalwise.estimator.removal.reach import FACET_LIMIT, SPINOUS_BASE, SWEEP, Reach, reach_of, touch_of, touched_frac
from canalwise.estimator.removal.region import ConeRegion, TaskRegion
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Mask, Side
from canalwise.recon.parallel import thread_count

Paths = tuple[tuple[Float, Float], ...]
"""Pairs of a pivot (3,) and the (M, 3) points touched from it."""


@dataclass(frozen=True, eq=False)
class Cost:
    """Cost of one kind of removal; facets and pars keyed by the patient's side."""

    removal: Removal
    facets: dict[Side, FacetPreservation]
    pars: dict[Side, Pars]
    spinous_base: SpinousBase


@dataclass(frozen=True, eq=False)
class Estimate:
    """All numbers of one approach.

    `cone` is the removal by the whole sweep; `task`, nearly always less, only what the reached points of
    `task_targets_ras_mm` need, along `task_paths`: pairs of a pivot and the points touched from it.
    `task_reached_frac` is the share of each of these sets that is touched, NaN where it is not in view.
    `reach` is keyed by the patient's side.
    """

    prepared: PreparedLevel
    approach: Approach
    phases: tuple[PlacedPhase, ...]
    keep_out: KeepOut
    cone: Cost
    task: Cost
    task_targets_ras_mm: Mapping[str, Float]
    task_reached_frac: Mapping[str, float]
    task_paths: Paths
    reach: dict[Side, Reach]
    decompression: CanalAreaChange
    skin_entry: SkinEntry

    def __repr__(self) -> str:
        task, cone = (cost.removal.total_mm3 for cost in (self.task, self.cone))
        plan = self.approach
        return f"<Estimate {plan.level} from the {plan.side}, bone {task:.0f} mm3 for the task, {cone:.0f} mm3 swept>"

    @property
    def anatomy(self) -> Anatomy:
        """What the level was prepared from."""
        return self.prepared.anatomy

    @property
    def level(self) -> Level:
        """The level."""
        return self.prepared.level

    @property
    def limits(self) -> Limits:
        """The thresholds in force."""
        return self.prepared.limits


def estimate(
    anatomy: Anatomy, approach: Approach, limits: Limits | None = None, task: Sequence[str] = NAMES
) -> Estimate:
    """Estimate of an approach: bone taken, structures kept, targets reached.

    Parameters
    ----------
    task : the sets of `estimator.level.target_names` that are to be touched

    Raises
    ------
    LevelNotInView : the approach's level is not in the anatomy
    AnatomyNotFound : no dural sac there
    WrongUse : a task that is not among the sets
    """
    return estimate_of(prepared_level(anatomy, approach.level, limits).ready(), approach, task)


def estimate_of(prepared: PreparedLevel, approach: Approach, task: Sequence[str] = NAMES) -> Estimate:
    """The same on a level that is prepared once for many approaches.

    What does not need each other is worked out side by side, the longest first.
    """
    phases = placed_phases(approach, prepared.level.frame)
    keep_out = prepared.keep_out(approach.channel.tool_radius_mm)
    cone, pressing = ConeRegion(phases, keep_out), prepared.pressing
    requested = prepared.task_targets.seen_from(approach.side, task)
    with ThreadPoolExecutor(thread_count()) as pool:
        asking = pool.submit(_task_of, prepared, approach, cone, requested)
        sweeping = pool.submit(cost_of, prepared, cone)
        reaching = pool.submit(reach_by, prepared, cone, other_side(approach.side))
        taking = {side: pool.submit(ligament_taken_mm3, pressing, side, cone) for side in SIDES}
        freed = freed_mm2(pressing, cone)
        skin_entry = skin_entry_of(prepared.anatomy, approach, phases[0], prepared.air_in_view)
    paths, touched, task_cost = asking.result()
    ligament = {side: taken.result() for side, taken in taking.items()}
    return Estimate(
        prepared,
        approach,
        phases,
        keep_out,
        cone=sweeping.result(),
        task=task_cost,
        task_targets_ras_mm=requested,
        task_reached_frac=touched_frac(requested, np.atleast_1d(touched.any(axis=0))),
        task_paths=paths,
        reach=reaching.result(),
        decompression=decompression_with(pressing, ligament, freed, sweeping.result().removal),
        skin_entry=skin_entry,
    )


def _task_of(
    prepared: PreparedLevel, approach: Approach, cone: ConeRegion, requested: Mapping[str, Float]
) -> tuple[Paths, Mask, Cost]:
    """The paths to what can be touched, which points those are per phase, and the cost of going them."""
    points = joined_mm(requested)
    touched = touch_of(prepared.anatomy, cone.phases, cone.keep_out, points).touched
    paths = paths_to(cone.phases, points, touched)
    return paths, touched, cost_of(prepared, TaskRegion(paths, approach.channel, cone.keep_out))


def reach_by(prepared: PreparedLevel, cone: ConeRegion, far: Side) -> dict[Side, Reach]:
    """The reach on each side; on the far one with the limit that would break next, where only the sweep stops it."""
    level = prepared.level
    reach = {
        side: reach_of(prepared.anatomy, level, targets, cone.phases, cone.keep_out)
        for side, targets in level.targets.items()
    }
    if far in reach:
        reach[far] = replace(reach[far], limited_by=_stopped_by(prepared, far, reach[far], cone))
    return reach


def _stopped_by(prepared: PreparedLevel, side: Side, reach: Reach, cone: ConeRegion) -> str:
    """What stops the next millimetre: where only the sweep does, the limit that tilting on would break first."""
    if reach.limited_by != SWEEP or reach.next_ras_mm is None:
        return reach.limited_by
    last, level, limits = cone.phases[-1], prepared.level, prepared.limits
    direction = np.array(reach.next_ras_mm) - last.pivot_ras_mm
    tilted = replace(cone, phases=(*cone.phases, replace(last, axis_ras=direction / np.linalg.norm(direction))))
    joint = level.joints.get(side)
    if joint is not None and area_kept_frac(joint, tilted, prepared.faces[side]) < limits.value("facet_area_kept_frac"):
        return FACET_LIMIT
    removal = removal_of(prepared.level_bone, tilted, prepared.base_bone)
    if spinous_base(prepared.pars_and_base_samples.base, removal).bridge_mm < limits.value("spinous_bridge_mm"):
        return SPINOUS_BASE
    return SWEEP


def cost_of(prepared: PreparedLevel, region: Region) -> Cost:
    """Cost to the level of taking a region."""
    level, weak = prepared.level, prepared.pars_and_base_samples
    removal = removal_of(prepared.level_bone, region)
    return Cost(
        removal,
        facets={
            side: facet_kept(level, side, region, removal, prepared.faces[side]) for side in prepared.resolved_joints
        },
        pars={side: pars_of(weak.pars[side], removal) for side in SIDES},
        spinous_base=spinous_base(weak.base, removal),
    )


def task_paths(anatomy: Anatomy, phases: tuple[PlacedPhase, ...], keep_out: KeepOut, targets_mm: Float) -> Paths:
    """Each phase's pivot (3,) with those of the (N, 3) targets that it is the first to touch."""
    return paths_to(phases, targets_mm, touch_of(anatomy, phases, keep_out, targets_mm).touched)


def paths_to(phases: tuple[PlacedPhase, ...], targets_mm: Float, touched: Mask) -> Paths:
    """The same where (P, N) `touched` is known."""
    first = touched & (np.cumsum(touched, axis=0) == 1)
    return tuple((phase.pivot_ras_mm, targets_mm[mine]) for phase, mine in zip(phases, first, strict=True))
