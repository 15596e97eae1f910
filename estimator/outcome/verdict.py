"""One verdict on a resection: freed and kept, failure first, in one sentence.

A plan that frees less than required is never called good, whatever limits it keeps.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.decompression.rules import ResectionRules
from canalwise.estimator.limit_rules import BRIDGE, FACET_AREA, FACET_WIDTH, LATERAL, PARS, UNDERCUT, LimitRule
from canalwise.estimator.limits import Limits
from canalwise.estimator.outcome.outcome_values import (
    DecompressionVerdict,
    Freed,
    LimitCheck,
    ResectionCost,
    StationAreas,
    freed_percent,
)
from canalwise.estimator.resection.resection_level import Resection
from canalwise.recon.labels import SIDES, Side
from canalwise.recon.level.sac_sections import LEAST_CANAL_MM2, LEAST_MM2
from canalwise.recon.measurement.kinds import SCALES

ALL_KEPT = "all limits kept"
ALL_MEASURED_KEPT = "all limits that could be measured are kept"
BREAKS_NONE = "though it breaks no limit"
"""What is said of limits beside too little freed: no praise."""

NARROW_SAC = SCALES["dural sac area"].thresholds[-1]
"""The mildest published area of a narrow dural sac: above it nobody speaks of a stenosis."""


Sides = Mapping[str, Side]
"""What an access calls the patient's sides -> these sides."""

LEFT_AND_RIGHT: Sides = {side: side for side in SIDES}
"""Of what enters from both sides, or from behind."""


def own_and_other(side: Side) -> Sides:
    """Of an approach from one side.

    >>> own_and_other("right")
    {'ipsilateral': 'right', 'contralateral': 'left'}
    """
    return {"ipsilateral": side, "contralateral": other_side(side)}


def limit_checks(resection: Resection, cost: ResectionCost, limits: Limits) -> tuple[LimitCheck, ...]:
    """Every limit of a plan held against a resection; of a joint that was not resolved no number is known."""
    return limit_checks_of(own_and_other(resection.approach.side), cost, limits)


def limit_checks_of(sides: Sides, cost: ResectionCost, limits: Limits) -> tuple[LimitCheck, ...]:
    """The same of any access."""
    found = []
    for relation, s in sides.items():
        kept, pars = cost.facets.get(s), cost.pars[s]
        for rule in (FACET_AREA, FACET_WIDTH):
            share = float("nan") if kept is None else getattr(kept, rule.quantity)
            found.append(_check(limits, rule, f"{relation} {rule.name}", f"{s} {rule.quantity}", share))
        check = _check(limits, PARS, f"{relation} {PARS.name}", f"{s} {PARS.quantity}", pars.residual_mm)
        # a pars that was thin before and loses nothing is the patient's, not the plan's
        untouched = pars.residual_mm >= pars.before_mm
        found.append(replace(check, met=True, untouched=True) if untouched else check)
    found.append(_check(limits, BRIDGE, BRIDGE.name, BRIDGE.quantity, cost.base.bridge_mm))
    found.append(_check(limits, UNDERCUT, UNDERCUT.name, UNDERCUT.quantity, cost.base.undercut_frac))
    found.append(_check(limits, LATERAL, LATERAL.name, LATERAL.quantity, cost.lateral_mm))
    return tuple(found)


def verdict_of(resection: Resection, freed: Freed, checks: tuple[LimitCheck, ...]) -> DecompressionVerdict:
    """Freed and kept."""
    return verdict_with(own_and_other(resection.approach.side), freed, checks, resection.at.rules)


def verdict_with(
    sides: Sides, freed: Freed, checks: tuple[LimitCheck, ...], rules: ResectionRules
) -> DecompressionVerdict:
    """The same of any access."""
    enough = rules.value("freed_enough_frac")
    shares = [share for share in freed.by_side.values() if not np.isnan(share)]
    is_freed = all(share >= enough for share in shares) and not filled_by_unknown(freed.areas, freed.sac_seen)
    broken = [c.name for c in checks if c.met is False]
    frees = _not_narrow(freed) + _frees(sides, freed, is_freed, rules)
    sentence = _sentence(frees, broken, is_freed, all_measured(checks))
    return DecompressionVerdict(is_freed, not broken, sentence[0].upper() + sentence[1:])


def all_measured(checks: tuple[LimitCheck, ...]) -> bool:
    """Is every limit known that a joint must keep? Any other number that is nowhere to be measured belongs to bone that
    is not there and cannot be broken."""
    return not any(check.met is None and check.rule in (FACET_AREA, FACET_WIDTH) for check in checks)


def _sentence(frees: str, broken: list[str], is_freed: bool, measured: bool) -> str:
    """Failure first; limits kept are no merit of a plan that frees too little."""
    breaks = f"breaks {len(broken)} limit{'s' * (len(broken) > 1)}: {', '.join(broken)}"
    if not is_freed:
        return f"{frees}; {breaks}" if broken else f"{frees}, {BREAKS_NONE}"
    if broken:
        return f"{breaks}; {frees}"
    return f"{frees}; {ALL_KEPT if measured else ALL_MEASURED_KEPT}"


def _frees(sides: Sides, freed: Freed, is_freed: bool, rules: ResectionRules) -> str:
    """The part of the sentence that says what is freed, by the side that is freed least."""
    if np.isnan(freed.share):
        return "nothing presses on the room needed"
    if filled_by_unknown(freed.areas, freed.sac_seen):
        return "no dural sac is seen at the narrowest place; what fills the canal there is not known, nor what frees it"
    by_relation = {name: freed.by_side[side] for name, side in sides.items()}
    relation = min(by_relation, key=lambda name: np.inf if np.isnan(by_relation[name]) else by_relation[name])
    enough = rules.value("freed_enough_frac")
    least = freed_percent(by_relation[relation], enough)
    if is_freed:
        return f"frees {freed_percent(freed.share, enough)} of what presses, {least} on the {relation} side"
    return f"frees {least} on the {relation} side: {_narrow(rules, freed, sides[relation], relation)}"


def filled_by_unknown(areas: StationAreas, sac_seen: bool) -> bool:
    """Is there no sac at a station, though one was seen, and no ligament or calcium that fills the canal there?"""
    shut = areas.sac_before_mm2 < LEAST_MM2
    return sac_seen and bool((areas.before_mm2[shut] >= LEAST_CANAL_MM2).any())


def _not_narrow(freed: Freed) -> str:
    """What must be heard first of a sac that was wide before: there is little to operate for, as far as it was seen."""
    least_mm2 = float(freed.areas.sac_before_mm2.min())
    if least_mm2 < NARROW_SAC.value:
        return ""
    if not freed.sac_seen:
        return "whether the dural sac is narrow is not known, for it was not seen but modelled; "
    return f"the dural sac was not narrow before (least {least_mm2:.0f} mm2, narrow below {NARROW_SAC.value:g} mm2); "


def _narrow(rules: ResectionRules, freed: Freed, side: Side, relation: str) -> str:
    """What stays narrow on a side: its recess, where its root has not the room it needs, or the canal, if it is."""
    room, needed = freed.root_room_mm.get(side, float("nan")), 2 * rules.value("corridor_radius_mm")
    recess = not np.isnan(room) and room < rules.value("freed_enough_frac") * needed
    if recess:
        return f"the {relation} recess stays narrow"
    if freed.areas.sac_after_mm2.min() >= NARROW_SAC.value:
        return "the rest stays in the room needed"
    return f"the canal stays narrow on the {relation} side"


def _check(limits: Limits, rule: LimitRule, name: str, quantity: str, value: float) -> LimitCheck:
    record = limits.records[rule.limit]
    met = None if np.isnan(value) else bool(rule.kept(value, record.value))
    return LimitCheck(name, quantity, value, record, rule, met)
