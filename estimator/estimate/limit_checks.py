"""Which limits an estimate keeps, which it breaks, and what a reader must know beside it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.estimate.estimate import Estimate
from canalwise.estimator.estimate.intervals import Intervals
from canalwise.estimator.interval import Interval
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.recon.anatomy import Level
from canalwise.recon.evidence import EvidenceClass
from canalwise.recon.labels import Side

TAKEN_FRAC = 0.5
"""A voxel counts as gone, for how far lateral bone was taken, when at least this share is."""


@dataclass(frozen=True)
class Verdict:
    """One limit held against one number; `met` is None when the number could not be measured."""

    name: str
    value: float
    limit: float
    unit: str
    met: bool | None
    source: str
    evidence: EvidenceClass


def verdicts_of(estimate: Estimate) -> tuple[Verdict, ...]:
    """Every limit held against the worse of the two removals, nearly always the whole sweep's."""
    side = estimate.approach.side
    found = []
    for relation, s in (("ipsilateral", side), ("contralateral", other_side(side))):
        found += _side_verdicts(estimate, relation, s)
    costs = (estimate.cone, estimate.task)
    undercut = float(np.max([cost.spinous_base.undercut_frac for cost in costs]))
    bridge = float(np.min([cost.spinous_base.bridge_mm for cost in costs]))
    lateral = float(np.max([farthest_taken_mm(cost.removal, estimate.level) for cost in costs]))
    found.append(_at_most(estimate, "spinous base undercut", undercut, "spinous_undercut_frac"))
    found.append(_at_least(estimate, "spinous base bridge left", bridge, "spinous_bridge_mm"))
    found.append(_at_most(estimate, "farthest bone taken from the midline", lateral, "lateral_removal_mm"))
    return tuple(found)


def verdict_intervals(reported: Intervals, side: Side) -> dict[str, Interval]:
    """Verdict's name -> interval of the number it holds against its limit: that of the worse removal."""
    both = (reported.cone, reported.task)
    found: dict[str, Interval] = {}
    for relation, s in (("ipsilateral", side), ("contralateral", other_side(side))):
        for share in ("area", "width"):
            kept = [kind.facets[s][f"{share}_frac"] for kind in both if s in kind.facets]
            if kept:
                found[f"{relation} facet {share} kept"] = min(kept, key=lambda interval: interval.value)
        found[f"{relation} pars width left"] = min((kind.pars_mm[s] for kind in both), key=lambda i: i.value)
    found["spinous base undercut"] = max((kind.undercut_frac for kind in both), key=lambda i: i.value)
    found["spinous base bridge left"] = min((kind.bridge_mm for kind in both), key=lambda i: i.value)
    return found


def within_error(verdict: Verdict, interval: Interval | None) -> bool:
    """Does the limit lie inside the number's interval, so that the verdict could be the other one?

    >>> from canalwise.estimator.interval import Interval
    >>> width = Verdict("pars width left", 5.4, 5.0, "mm", True, "", "MEM")
    >>> [within_error(width, Interval(5.4, {"bone border": sd})) for sd in (0.3, 0.1)]
    [True, False]
    """
    if interval is None or not interval.sd_by_cause or verdict.met is None:
        return False
    low, high = interval.ends
    return bool(low <= verdict.limit <= high and interval.sd > 0)


def farthest_taken_mm(removal: Removal, level: Level) -> float:
    """Greatest distance from the mid-sagittal plane of a voxel whose bone is mostly taken, mm."""
    mostly = removal.voxels[(removal.share >= TAKEN_FRAC) & (removal.taken_mm3 > 0)]
    index = np.stack(np.unravel_index(mostly, removal.level_bone.grid.shape), axis=-1)
    x = level.frame.to_level_mm(removal.level_bone.grid.world_mm(index))[:, 0]
    return float(np.abs(x).max(initial=0.0))


def warnings_of(estimate: Estimate) -> tuple[str, ...]:
    """Sentences a reader must see beside the numbers."""
    said = [*estimate.anatomy.warnings, *estimate.level.warnings]
    sac = estimate.anatomy.sources.get("sac", "modelled")
    if sac == "modelled":
        said.append(
            "The dural sac was not seen: it is modelled from the canal and a published ligament thickness. "
            "Reach, clearance and areas depend on it."
        )
    if estimate.skin_entry.at == "pivot":
        said.append("No skin is in view: the entry is given at the pivot, not at the skin.")
    said += _thin_pars(estimate)
    broken = [v.name for v in verdicts_of(estimate) if v.met is False]
    if broken:
        said.append(f"Limits not kept: {', '.join(broken)}.")
    return tuple(said)


def _side_verdicts(estimate: Estimate, relation: str, side: Side) -> list[Verdict]:
    costs, found = (estimate.cone, estimate.task), []
    if side in estimate.cone.facets:
        area = min(cost.facets[side].area_frac for cost in costs)
        width = min(cost.facets[side].width_frac for cost in costs)
        found.append(_at_least(estimate, f"{relation} facet area kept", area, "facet_area_kept_frac"))
        found.append(_at_least(estimate, f"{relation} facet width kept", width, "facet_width_kept_frac"))
    pars = float(np.min([cost.pars[side].residual_mm for cost in costs]))
    verdict = _at_least(estimate, f"{relation} pars width left", pars, "pars_residual_mm")
    # A pars that was thin before and loses nothing is the patient's, not the plan's: it is warned of instead.
    untouched = pars >= estimate.cone.pars[side].before_mm
    found.append(replace(verdict, met=True) if untouched else verdict)
    return found


def _thin_pars(estimate: Estimate) -> list[str]:
    """A sentence for each pars that measures less than its limit before any removal."""
    limit = estimate.limits.value("pars_residual_mm")
    return [
        f"The {side} pars of {estimate.level.upper} measures {pars.before_mm:.1f} mm before any removal, less than the "
        f"{limit:g} mm asked to stay: look at it in the scan."
        for side, pars in estimate.cone.pars.items()
        if pars.before_mm < limit
    ]


def _at_least(estimate: Estimate, name: str, value: float, limit: str) -> Verdict:
    record = estimate.limits.records[limit]
    met = None if np.isnan(value) else bool(value >= record.value)
    return Verdict(name, value, record.value, record.unit, met, record.source, record.evidence)


def _at_most(estimate: Estimate, name: str, value: float, limit: str) -> Verdict:
    record = estimate.limits.records[limit]
    met = None if np.isnan(value) else bool(value <= record.value)
    return Verdict(name, value, record.value, record.unit, met, record.source, record.evidence)
