"""One approach to numbers: the whole estimate (`estimator.estimate_json` writes it down)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from estimator.approach import Approach, PlacedPhase, other_side, placed_phases
from estimator.decompression import Decompression, decompression_of
from estimator.facets import FacetKept, area_kept_frac, facet_kept
from estimator.isthmus import Pars, SpinousBase, pars_of, spinous_base
from estimator.keepout import KeepOut
from estimator.limits import Limits
from estimator.prepared import PreparedLevel, prepared_level
from estimator.reach import Reach, reach_of, touch_of, touched_frac
from estimator.region import ConeRegion, Region, TaskRegion
from estimator.removal import Removal, removal_of
from estimator.skin_entry import SkinEntry, skin_entry_of
from estimator.task_names import NAMES
from estimator.task_targets import joined_mm
from recon.anatomy import Anatomy, Level
from recon.grid import Float
from recon.labels import SIDES, Mask, Side
from recon.workers import both


@dataclass(frozen=True, eq=False)
class Cost:
    """What one kind of removal costs; facets and pars keyed by the patient's side."""

    removal: Removal
    facets: dict[Side, FacetKept]
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

    anatomy: Anatomy
    level: Level
    approach: Approach
    limits: Limits
    phases: tuple[PlacedPhase, ...]
    keep_out: KeepOut
    cone: Cost
    task: Cost
    task_targets_ras_mm: Mapping[str, Float]
    task_reached_frac: Mapping[str, float]
    task_paths: tuple[tuple[Float, Float], ...]
    reach: dict[Side, Reach]
    decompression: Decompression
    skin_entry: SkinEntry


def estimate(
    anatomy: Anatomy, approach: Approach, limits: Limits | None = None, task: Sequence[str] = NAMES
) -> Estimate:
    """What an approach takes, keeps and reaches.

    Parameters
    ----------
    task : the sets of `estimator.task_names` that are to be touched

    Raises
    ------
    LevelNotInView : the approach's level is not in the anatomy
    AnatomyNotFound : no dural sac there
    WrongUse : a task that is not among the sets
    """
    return estimate_of(prepared_level(anatomy, approach.level, limits), approach, task)


def estimate_of(prepared: PreparedLevel, approach: Approach, task: Sequence[str] = NAMES) -> Estimate:
    """The same on a level that is prepared once for many approaches.

    The whole sweep and the task are worked out side by side; neither looks at the other.
    """
    anatomy, level = prepared.anatomy, prepared.level
    phases = placed_phases(approach, level.frame)
    keep_out = prepared.keep_out(approach.channel.tool_radius_mm)
    cone = ConeRegion(phases, keep_out)

    def by_sweep() -> tuple[Cost, Decompression]:
        cost = cost_of(prepared, cone)
        return cost, decompression_of(prepared.pressing, cone, cost.removal)

    def by_task() -> _Task:
        return _task_of(prepared, approach, cone, prepared.task_targets.seen_from(approach.side, task))

    (cone_cost, decompression), told = both(by_sweep, by_task)
    return Estimate(
        anatomy,
        level,
        approach,
        prepared.limits,
        phases,
        keep_out,
        cone=cone_cost,
        task=told.cost,
        task_targets_ras_mm=told.targets_ras_mm,
        task_reached_frac=told.reached_frac,
        task_paths=told.paths,
        reach=told.reach,
        decompression=decompression,
        skin_entry=skin_entry_of(prepared, approach, phases[0]),
    )


@dataclass(frozen=True, eq=False)
class _Task:
    """What an estimate tells of the task and of reach."""

    cost: Cost
    targets_ras_mm: Mapping[str, Float]
    reached_frac: Mapping[str, float]
    paths: tuple[tuple[Float, Float], ...]
    reach: dict[Side, Reach]


def _task_of(prepared: PreparedLevel, approach: Approach, cone: ConeRegion, asked: Mapping[str, Float]) -> _Task:
    anatomy, level, phases, keep_out = prepared.anatomy, prepared.level, cone.phases, cone.keep_out
    touched = touch_of(anatomy, phases, keep_out, joined_mm(asked)).touched
    paths = paths_to(phases, joined_mm(asked), touched)
    reach = {side: reach_of(anatomy, level, targets, phases, keep_out) for side, targets in level.targets.items()}
    far = other_side(approach.side)
    if far in reach:
        reach[far] = replace(reach[far], limited_by=_stopped_by(prepared, far, reach[far], cone))
    cost = cost_of(prepared, TaskRegion(paths, approach.channel, keep_out))
    return _Task(cost, asked, touched_frac(asked, np.atleast_1d(touched.any(axis=0))), paths, reach)


def _stopped_by(prepared: PreparedLevel, side: Side, reach: Reach, cone: ConeRegion) -> str:
    """What stops the next millimetre: where only the sweep does, the limit that tilting on would break first."""
    if reach.limited_by != "sweep" or reach.next_ras_mm is None:
        return reach.limited_by
    last, level, limits = cone.phases[-1], prepared.level, prepared.limits
    way = np.array(reach.next_ras_mm) - last.pivot_ras_mm
    tilted = replace(cone, phases=(*cone.phases, replace(last, axis_ras=way / np.linalg.norm(way))))
    joint = level.joints.get(side)
    if joint is not None and area_kept_frac(joint, tilted) < limits.value("facet_area_kept_frac"):
        return "facet limit"
    removal = removal_of(prepared.bench, tilted, prepared.base_bone)
    if spinous_base(prepared.weak_places.base, removal).bridge_mm < limits.value("spinous_bridge_mm"):
        return "spinous base"
    return "sweep"


def cost_of(prepared: PreparedLevel, region: Region) -> Cost:
    """What taking a region costs the level."""
    level, weak = prepared.level, prepared.weak_places
    removal = removal_of(prepared.bench, region)
    return Cost(
        removal,
        facets={side: facet_kept(level, side, region, removal) for side in level.joints},
        pars={side: pars_of(weak.pars[side], removal) for side in SIDES},
        spinous_base=spinous_base(weak.base, removal),
    )


def task_paths(
    anatomy: Anatomy, phases: tuple[PlacedPhase, ...], keep_out: KeepOut, targets_mm: Float
) -> tuple[tuple[Float, Float], ...]:
    """Each phase's pivot (3,) with those of the (N, 3) targets that it is the first to touch."""
    return paths_to(phases, targets_mm, touch_of(anatomy, phases, keep_out, targets_mm).touched)


def paths_to(phases: tuple[PlacedPhase, ...], targets_mm: Float, touched: Mask) -> tuple[tuple[Float, Float], ...]:
    """The same where (P, N) `touched` is known."""
    first = touched & (np.cumsum(touched, axis=0) == 1)
    return tuple((phase.pivot_ras_mm, targets_mm[mine]) for phase, mine in zip(phases, first, strict=True))
