"""Interval of the number that each limit check compares with its limit."""

from __future__ import annotations

from collections.abc import Sequence

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.estimate.intervals import BoneIntervals, Intervals
from canalwise.estimator.estimate.limit_checks import Verdict
from canalwise.estimator.interval import Interval
from canalwise.estimator.limit_rules import BRIDGE, OF_BOTH_SIDES, PARS, RELATIONS, UNDERCUT, LimitRule, rule_of
from canalwise.recon.labels import Side


def verdict_intervals(reported: Intervals, side: Side) -> dict[str, Interval]:
    """Check's name -> interval of the number it holds against its limit: that of the worse removal."""
    found: dict[str, Interval] = {}
    for relation, s in zip(RELATIONS, (side, other_side(side)), strict=True):
        for rule in OF_BOTH_SIDES:
            found |= _worse(
                f"{relation} {rule.name}", [_of_side(kind, rule, s) for kind in (reported.cone, reported.task)]
            )
    for rule in (UNDERCUT, BRIDGE):
        found |= _worse(rule.name, [getattr(kind, rule.quantity) for kind in (reported.cone, reported.task)])
    return found


def _of_side(kind: BoneIntervals, rule: LimitRule, side: Side) -> Interval | None:
    return kind.pars_mm[side] if rule is PARS else kind.facets.get(side, {}).get(rule.quantity)


def _worse(check: str, intervals: Sequence[Interval | None]) -> dict[str, Interval]:
    """Under the check's name, the interval about the worse value; nothing where none is in view."""
    known = [interval for interval in intervals if interval is not None]
    worst = min if rule_of(check).direction == "at least" else max
    return {check: worst(known, key=lambda interval: interval.value)} if known else {}


def within_error(verdict: Verdict, interval: Interval | None) -> bool:
    """Does the limit lie inside the number's interval, so that the verdict could be the other one?

    >>> from canalwise.estimator.interval import Interval
    >>> width = Verdict("pars width remaining", 5.4, 5.0, "mm", True, "", "MEM")
    >>> [within_error(width, Interval(5.4, {"bone border": sd})) for sd in (0.3, 0.1)]
    [True, False]
    """
    if interval is None or not interval.sd_by_cause or verdict.met is None:
        return False
    low, high = interval.ends
    return bool(low <= verdict.limit <= high and interval.sd > 0)
