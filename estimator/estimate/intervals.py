"""95 % intervals of an estimate's numbers under uncertain borders and execution errors.

The whole sweep's numbers come from samples of the batch (`estimator.estimate.monte_carlo`); what the batch cannot
shift, such as where a joint ends, joins the samples as independent noise. The task's numbers are found anew, exactly,
for a step of each error. Borders are taken to be off as a whole, all bone alike, as a threshold is; causes of different
kinds are independent.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from canalwise.estimator.estimate.estimate import Cost, Estimate
from canalwise.estimator.estimate.monte_carlo import (
    AFTER,
    Causes,
    MonteCarloOptions,
    SampledChanges,
    joined_causes,
    spread_of,
    with_noise,
)
from canalwise.estimator.estimate.task_sensitivity import task_causes
from canalwise.estimator.geometry.region_protocol import Region
from canalwise.estimator.interval import SD_OF_95, Interval, sd_of_shift
from canalwise.estimator.level.border_uncertainty import BONE, MIDLINE, MIDLINE_SD_MM, SPACING, SPLIT
from canalwise.estimator.level.border_uncertainty import area_causes as border_causes
from canalwise.estimator.level.compression import PLANE_STEP_MM, disc_level
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.level.target_names import AT_DISC
from canalwise.estimator.removal.facet_interval import joint_sds, split_frac
from canalwise.estimator.removal.facet_preservation import volume_kept_frac
from canalwise.estimator.removal.pars_and_spinous_base import pars_of
from canalwise.estimator.removal.pars_and_spinous_base import spinous_base as base_of
from canalwise.estimator.removal.region import ConeRegion, TaskRegion
from canalwise.recon.labels import SIDES, Side

TARGET_SPACING_SD_MM = 0.5 / np.sqrt(12.0)
"""Targets stand every 0.5 mm (docs/numbers.md#anatomical-definitions): the last one touched is known to within that."""

Facets = Mapping[Side, Mapping[str, Interval]]


@dataclass(frozen=True)
class BoneIntervals:
    """Intervals of one kind of removal; facets by the patient's side and the name of the share."""

    bone_mm3: Interval
    facets: Facets
    pars_mm: Mapping[Side, Interval]
    undercut_frac: Interval
    bridge_mm: Interval


@dataclass(frozen=True)
class Intervals:
    """Every interval of an estimate; reach by side, then 'lateral_mm' or a target's name.

    `spread` holds the samples of the whole sweep that the intervals come from, `trial` how they were drawn; None where
    none were.
    """

    cone: BoneIntervals
    task: BoneIntervals
    reach: Mapping[Side, Mapping[str, Interval]]
    canal_before_mm2: Interval
    canal_after_mm2: Interval
    spread: SampledChanges
    trial: MonteCarloOptions | None


def intervals_of(estimate: Estimate, trial: MonteCarloOptions | None = None) -> Intervals:
    """An interval for every headline number of an estimate."""
    prepared, trial = estimate.prepared, trial or MonteCarloOptions()
    task = TaskRegion(estimate.task_paths, estimate.approach.channel, estimate.keep_out)
    before, _ = area_causes(prepared, ConeRegion(estimate.phases, estimate.keep_out))
    spread = with_noise(spread_of(prepared, estimate.approach, trial), unshifted_causes(estimate), trial.seed)
    by_task = joined_causes(cost_causes(prepared, estimate.task, task), thinned_causes(prepared, estimate.task),
                            task_causes(estimate, trial.errors))  # fmt: skip
    return _all_intervals(
        estimate, _IntervalBuilder(spread.sd_by_cause, spread), _IntervalBuilder(by_task), (before, trial)
    )


def unshifted_causes(estimate: Estimate) -> Causes:
    """Causes of uncertainty of the whole sweep's numbers that the batch cannot shift."""
    cone = ConeRegion(estimate.phases, estimate.keep_out)
    _, after = area_causes(estimate.prepared, cone)
    return cost_causes(estimate.prepared, estimate.cone, cone) | _reach_causes(estimate) | {AFTER: after}


def no_intervals(estimate: Estimate) -> Intervals:
    """The same numbers without a word on how sure they are: no interval has a cause, there are no samples."""
    nothing = _IntervalBuilder({}, SampledChanges({}, {}, {}))
    return _all_intervals(estimate, nothing, nothing, ({}, None))


def _all_intervals(
    estimate: Estimate,
    cone: _IntervalBuilder,
    task: _IntervalBuilder,
    rest: tuple[Mapping[str, float], MonteCarloOptions | None],
) -> Intervals:
    """All of them; `rest` holds the causes of the canal's area before, and the trial."""
    areas, (before, trial) = estimate.decompression, rest
    return Intervals(
        _bone_intervals(estimate.cone, cone),
        _bone_intervals(estimate.task, task),
        {side: _reach_intervals(estimate, side, cone) for side in estimate.reach},
        Interval(areas.canal_area_before_mm2, before, 0.0),
        cone.reported(AFTER, areas.canal_area_after_mm2),
        cone.spread or SampledChanges({}, {}, {}),
        trial,
    )


@dataclass(frozen=True, eq=False)
class _IntervalBuilder:
    """Makes intervals from causes, and from samples where there are any."""

    causes: Causes
    spread: SampledChanges | None = None

    def reported(self, name: str, value: float, least: float = 0.0, most: float = np.inf) -> Interval:
        """The interval of a number; without causes where it is not a number."""
        causes = self.causes.get(name, {})
        if np.isnan(value) or not causes:
            return Interval(value, {}, least, most)
        return Interval(value, causes, least, most, None if self.spread is None else self.spread.ends(name))


def _bone_intervals(cost: Cost, teller: _IntervalBuilder) -> BoneIntervals:
    facets = {
        side: {name: teller.reported(f"{side} {name}", getattr(kept, name), most=1.0)
               for name in ("area_frac", "width_frac", "volume_frac")}
        for side, kept in cost.facets.items()
    }  # fmt: skip
    return BoneIntervals(
        teller.reported("bone_mm3", cost.removal.total_mm3),
        facets,
        {side: teller.reported(f"{side} pars_mm", cost.pars[side].residual_mm) for side in SIDES},
        teller.reported("undercut_frac", cost.spinous_base.undercut_frac, most=1.0),
        teller.reported("bridge_mm", cost.spinous_base.bridge_mm),
    )


def cost_causes(prepared: PreparedLevel, cost: Cost, region: Region) -> dict[str, dict[str, float]]:
    """What the batch cannot shift: joints' faces and ends, widths of weak places, cuts between parts."""
    border_uncertainty, thin = (
        prepared.border_uncertainty,
        replace(cost.removal, level_bone=prepared.thinner.level_bone),
    )
    weak, joint = prepared.thinner.weak, border_uncertainty.joint
    base = base_of(weak.base, thin)
    reported = {"bridge_mm": _from_border(cost.spinous_base.bridge_mm, base.bridge_mm)}
    for side in SIDES:
        residual = cost.pars[side].residual_mm
        # its medial end is a cut from the lamina and no border in the image
        reported[f"{side} pars_mm"] = _from_border(residual, pars_of(weak.pars[side], thin).residual_mm)
        if not np.isnan(residual):
            reported[f"{side} pars_mm"][SPLIT] = joint.split_mm
    for side, kept in cost.facets.items():
        shares = joint_sds(prepared.level, side, region, joint)
        reported |= {f"{side} {name}": causes for name, causes in shares.items()}
        taken = kept.volume_frac < 1.0
        split = split_frac(prepared.level, side, cost.removal.level_bone) * joint.split_mm if taken else 0.0
        reported[f"{side} volume_frac"] = {SPLIT: split}
    return reported


def thinned_causes(prepared: PreparedLevel, cost: Cost) -> dict[str, dict[str, float]]:
    """Changes of an exact removal by thinner bone."""
    thin = replace(cost.removal, level_bone=prepared.thinner.level_bone)
    base = base_of(prepared.thinner.weak.base, thin)
    reported = {
        "bone_mm3": _from_border(cost.removal.total_mm3, thin.total_mm3),
        "undercut_frac": _from_border(cost.spinous_base.undercut_frac, base.undercut_frac),
    }
    for side, kept in cost.facets.items():
        thinner = volume_kept_frac(prepared.level, side, thin)
        reported[f"{side} volume_frac"] = _from_border(kept.volume_frac, thinner)
    return reported


def _from_border(value: float, thinner: float) -> dict[str, float]:
    sd = sd_of_shift(value, thinner)
    return {} if np.isnan(sd) else {BONE: sd}


def _reach_causes(estimate: Estimate) -> dict[str, dict[str, float]]:
    """What is not known of reach besides borders: the midline it counts from, and what lies between two targets.

    A set that is touched in part has two ends of what is touched, each known to a point's share.
    """
    reported: dict[str, dict[str, float]] = {}
    for side, found in estimate.reach.items():
        reported[f"{side} lateral_mm"] = {SPACING: float(TARGET_SPACING_SD_MM), MIDLINE: MIDLINE_SD_MM.value}
        for name, points in estimate.level.targets[side].points_ras_mm.items():
            if 0.0 < found.targets[name] < 1.0:
                reported[f"{side} {name}"] = {SPACING: float(np.sqrt(2.0 / 12.0)) / len(points)}
    return reported


def _reach_intervals(estimate: Estimate, side: Side, teller: _IntervalBuilder) -> dict[str, Interval]:
    """'lateral_mm' and each target's share."""
    found = estimate.reach[side]
    reported = {
        "lateral_mm": teller.reported(f"{side} lateral_mm", found.lateral_mm, most=_farthest_mm(estimate, side))
    }
    return reported | {
        name: teller.reported(f"{side} {name}", share, most=1.0) for name, share in found.targets.items()
    }


def _farthest_mm(estimate: Estimate, side: Side) -> float:
    """How far the side's targets at disc level lie from the midline at most; no reach goes past them."""
    found = estimate.level.targets[side].points_ras_mm
    points = np.concatenate([np.empty((0, 3)), *(found[name] for name in AT_DISC if name in found)])
    outmost = np.abs(estimate.level.frame.to_level_mm(points)[:, 0]).max(initial=estimate.reach[side].lateral_mm)
    return float(outmost + SD_OF_95 * np.hypot(estimate.prepared.border_uncertainty.canal_here_mm, MIDLINE_SD_MM.value))


def area_causes(prepared: PreparedLevel, region: Region) -> tuple[dict[str, float], dict[str, float]]:
    """Free canal area before and after: each border's length times its deviation."""
    border_uncertainty = prepared.border_uncertainty
    plane = disc_level(prepared.anatomy, prepared.level)
    nothing = np.zeros(plane.free.shape, dtype=bool)
    freed = nothing.copy()
    freed[plane.pressing] = region.holds(plane.world_mm[plane.pressing])
    return (
        border_causes((plane.free, plane.pressing, nothing), PLANE_STEP_MM, border_uncertainty),
        border_causes((plane.free | freed, plane.pressing & ~freed, plane.overhang), PLANE_STEP_MM, border_uncertainty),
    )
