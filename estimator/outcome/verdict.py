"""One verdict on a resection: freed and kept, failure first, in one sentence.

A plan that frees less than asked is never called good, whatever limits it keeps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.limits import Limit, Limits
from canalwise.estimator.outcome.cost import ResectionCost
from canalwise.estimator.outcome.freed import Freed
from canalwise.estimator.resection.resection import Resection

ALL_KEPT = "all limits kept"


@dataclass(frozen=True)
class LimitCheck:
    """One limit held against one number of a resection; `met` is None where it could not be measured."""

    name: str
    value: float
    limit: Limit
    met: bool | None


@dataclass(frozen=True)
class DecompressionVerdict:
    """Parameters
    ----------
    freed : does each side reach the share that is asked?
    kept : is every limit that could be measured kept?
    sentence : what a surgeon must hear first
    """

    freed: bool
    kept: bool
    sentence: str


def limit_checks(resection: Resection, cost: ResectionCost, limits: Limits) -> tuple[LimitCheck, ...]:
    """Every limit of a plan held against a resection."""
    side, found = resection.approach.side, []
    for relation, s in (("ipsilateral", side), ("contralateral", other_side(side))):
        if s in cost.facets:
            kept = cost.facets[s]
            found.append(_at_least(limits, f"{relation} facet area kept", kept.area_frac, "facet_area_kept_frac"))
            found.append(_at_least(limits, f"{relation} facet width kept", kept.width_frac, "facet_width_kept_frac"))
        pars = cost.pars[s]
        # a pars that was thin before and loses nothing is the patient's, not the plan's
        least = (
            max(pars.residual_mm, limits.value("pars_residual_mm"))
            if pars.residual_mm >= pars.before_mm
            else (pars.residual_mm)
        )
        found.append(_at_least(limits, f"{relation} pars width remaining", least, "pars_residual_mm"))
    found.append(_at_least(limits, "spinous base bridge remaining", cost.base.bridge_mm, "spinous_bridge_mm"))
    found.append(_at_most(limits, "spinous base undercut", cost.base.undercut_frac, "spinous_undercut_frac"))
    found.append(_at_most(limits, "farthest bone taken from the midline", cost.lateral_mm, "lateral_removal_mm"))
    return tuple(found)


def verdict_of(resection: Resection, freed: Freed, checks: tuple[LimitCheck, ...]) -> DecompressionVerdict:
    """Freed and kept."""
    enough = resection.at.rules.value("freed_enough_frac")
    shares = [share for share in freed.by_side.values() if not np.isnan(share)]
    is_freed, broken = all(share >= enough for share in shares), [c.name for c in checks if c.met is False]
    frees = _frees(resection, freed, is_freed)
    limits = ALL_KEPT if not broken else f"breaks {len(broken)} limit{'s' * (len(broken) > 1)}: {', '.join(broken)}"
    parts = (frees, limits) if not is_freed or not broken else (limits, frees)
    sentence = "; ".join(parts)
    return DecompressionVerdict(is_freed, not broken, sentence[0].upper() + sentence[1:])


def _frees(resection: Resection, freed: Freed, is_freed: bool) -> str:
    """The part of the sentence that says what is freed, by the side that is freed least."""
    if np.isnan(freed.share):
        return "nothing presses on the room needed"
    near = resection.approach.side
    by_relation = {"near": freed.by_side[near], "far": freed.by_side[other_side(near)]}
    relation = min(by_relation, key=lambda name: np.inf if np.isnan(by_relation[name]) else by_relation[name])
    if is_freed:
        return (
            f"frees {_percent(freed.share)} of what presses, {_percent(by_relation[relation])} on the {relation} side"
        )
    side = near if relation == "near" else other_side(near)
    return (
        f"frees {_percent(by_relation[relation])} on the {relation} side: {_narrow(resection, freed, side, relation)}"
    )


def _narrow(resection: Resection, freed: Freed, side: str, relation: str) -> str:
    """What stays narrow on a side: its recess, where its root has not the room it needs, or the canal."""
    room = {s: freed.root_room_mm[s] for s in freed.root_room_mm}.get(side, float("nan"))  # type: ignore[call-overload]
    needed = 2 * resection.at.rules.value("corridor_radius_mm")
    recess = not np.isnan(room) and room < resection.at.rules.value("freed_enough_frac") * needed
    return f"the {relation} recess stays narrow" if recess else f"the canal stays narrow on the {relation} side"


def _percent(share: float) -> str:
    """Whole percent, rounded down, so that what is short of a mark never reads as the mark.

    >>> _percent(0.899)
    '89 %'
    """
    return f"{int(np.floor(100 * share + 1e-9))} %"


def _at_least(limits: Limits, name: str, value: float, limit: str) -> LimitCheck:
    record = limits.records[limit]
    return LimitCheck(name, value, record, None if np.isnan(value) else bool(value >= record.value))


def _at_most(limits: Limits, name: str, value: float, limit: str) -> LimitCheck:
    record = limits.records[limit]
    return LimitCheck(name, value, record, None if np.isnan(value) else bool(value <= record.value))
