"""Limit checks of an estimate, and its warnings."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.estimate.estimate import Estimate
from canalwise.estimator.limit_rules import BRIDGE, FACET_AREA, FACET_WIDTH, LATERAL, PARS, RELATIONS, UNDERCUT, rule_of
from canalwise.estimator.removal.bone_removal import farthest_taken_mm
from canalwise.recon.evidence import EvidenceClass
from canalwise.recon.labels import Side


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
    found = [
        check
        for relation, s in zip(RELATIONS, (side, other_side(side)), strict=True)
        for check in _side_verdicts(estimate, relation, s)
    ]
    bases = [cost.spinous_base for cost in (estimate.cone, estimate.task)]
    lateral = [farthest_taken_mm(cost.removal, estimate.level) for cost in (estimate.cone, estimate.task)]
    found.append(_verdict(estimate, UNDERCUT.name, UNDERCUT.worse(*(base.undercut_frac for base in bases))))
    found.append(_verdict(estimate, BRIDGE.name, BRIDGE.worse(*(base.bridge_mm for base in bases))))
    found.append(_verdict(estimate, LATERAL.name, LATERAL.worse(*lateral)))
    return tuple(found)


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
    for rule in (FACET_AREA, FACET_WIDTH):
        # A joint that is not there was not resolved: its limits are not measured, and never silently kept.
        kept = (
            rule.worse(*(getattr(cost.facets[side], rule.quantity) for cost in costs))
            if side in estimate.cone.facets
            else np.nan
        )
        found.append(_verdict(estimate, f"{relation} {rule.name}", kept))
    pars = PARS.worse(*(cost.pars[side].residual_mm for cost in costs))
    verdict = _verdict(estimate, f"{relation} {PARS.name}", pars)
    # A pars that was thin before and loses nothing is the patient's, not the plan's: it is warned of instead.
    untouched = pars >= estimate.cone.pars[side].before_mm
    found.append(replace(verdict, met=True) if untouched else verdict)
    return found


def _thin_pars(estimate: Estimate) -> list[str]:
    """A sentence for each pars that measures less than its limit before any removal."""
    limit = estimate.limits.value(PARS.limit)
    return [
        f"The {side} pars of {estimate.level.upper} measures {pars.before_mm:.1f} mm before any removal, less than the "
        f"{limit:g} mm required to stay: look at it in the scan."
        for side, pars in estimate.cone.pars.items()
        if pars.before_mm < limit
    ]


def _verdict(estimate: Estimate, check: str, value: float) -> Verdict:
    rule = rule_of(check)
    record = estimate.limits.records[rule.limit]
    met = None if np.isnan(value) else bool(rule.kept(value, record.value))
    return Verdict(check, value, record.value, record.unit, met, record.source, record.evidence)


def limits_broken(estimate: Estimate) -> tuple[str, ...]:
    """Names of the limits an exact estimate does not keep."""
    return tuple(verdict.name for verdict in verdicts_of(estimate) if verdict.met is False)
